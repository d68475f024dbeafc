package itip

import (
	"regexp"
	"strconv"
	"strings"

	"kitd/internal/ical"
)

// amount finds "3 kits", "4x dosimeters", "2 noise dosimeters" in a text.
var amount = regexp.MustCompile(`(?i)(?:^|[^\w.,-])(\d{1,3}) ?(?:x|×)? ?(?:noise )?(dosimeters?|dosemeters?|kits?)\b`)

var calibrator = regexp.MustCompile(`(?i)\bcalibrators?\b`)

// OrderOf reads how many units are asked for: from RESOURCES, else from the summary, else from the location. Without a number
// it is one kit. A calibrator named beside a number of dosimeters is asked for too; a kit brings its own. Every answer says
// what was understood.
func OrderOf(h ical.Head) Order {
	for _, text := range []string{strings.Join(h.Resources, "; "), h.Summary, h.Location} {
		m := amount.FindStringSubmatch(text)
		if m == nil {
			continue
		}
		n, err := strconv.Atoi(m[1])
		if err != nil || n == 0 {
			continue
		}
		if strings.HasPrefix(strings.ToLower(m[2]), "kit") {
			return Order{Kits: n}
		}
		return Order{Dosimeters: n, Calibrator: calibrator.MatchString(text)}
	}
	return Order{Kits: 1}
}
