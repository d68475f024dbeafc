package fleet

import (
	"sort"
	"strings"
	"time"

	"kitd/internal/civil"
)

// sentences is the catalogue of everything the rules say: form → text, {name} is filled from the arguments.
var sentences = map[string]string{
	"cert-none":            "No certificate on record.",
	"cert-before":          "Certificate {number} covers from {from} only.",
	"cert-fail":            "Certificate {number} of {date} failed it.",
	"cert-unstated":        "Certificate {number} of {date} states no verdict.",
	"cert-ended":           "Certificate ended {end}.",
	"cert-inside":          "Certificate ends {end}, inside the interval.",
	"cert-ended-extended":  "Certificate ended {end}, extension included.",
	"cert-inside-extended": "Certificate ends {end}, extension included, inside the interval.",
	"cert-repair":          "A repair on {date} ended its certificate.",
	"cert-microphone":      "A new microphone on {date} ended its certificate.",
	"cert-firmware":        "New firmware on {date} ended its certificate.",

	"hold":      "Held back since {since} by {who}: {reason}.",
	"hold-rule": "Held back since {since} by the rule {rule}: {reason}.",
	"hold-past": "Held back from {since} to {until}: {reason}.",

	"promise":        "Promised to {label} until {until}.",
	"promise-walled": "Promised until {until}.",

	"out-back":     "Out{holder}; back {due}.",
	"out-late":     "Still out{holder}, due back {due}.",
	"out-open":     "Out{holder} since {since}, no date of return.",
	"out-past":     "Out{holder} until {until}.",
	"lab-back":     "At the laboratory; back {due}.",
	"lab-late":     "Still at the laboratory, due back {due}.",
	"lab-open":     "At the laboratory since {since}, no date of return.",
	"lab-past":     "At the laboratory until {until}.",
	"transit-back": "On its way; there {due}.",
	"transit-late": "Still on its way, due {due}.",
	"transit-open": "On its way since {since}, no date of arrival.",
	"transit-past": "On its way until {until}.",
	"lost":         "Lost since {since}.",
	"lost-past":    "Lost from {since} to {until}.",
	"retired":      "Retired {since}.",
	"retired-past": "Retired from {since} to {until}.",

	"elsewhere": "In depot {depot} then.",
	"onward":    "Promised from depot {depot} afterwards.",

	"hire-before": "Hired from {from} only.",
	"hire-ended":  "Hire ended {to}.",
	"hire-inside": "Hire ends {to}, inside the interval.",

	"charge-never":    "No full charge on record.",
	"charge-short":    "Taken off the charger before it was full.",
	"charge-idle":     "Last full {charged}, off the charger for more than {days} days.",
	"charge-worn":     "Used since its last full charge, to {when}.",
	"charge-seen":     "Seen not full {when}.",
	"charge-power":    "Not full: charger {charger} lost power.",
	"charge-charging": "Not full; on charge, full {clears}.",
	"charge-record":   "No charge on record since it came on {date}.",
	"top-up":          "Full charge was due {due}.",

	"power-never":      "Nobody has recorded whether charger {charger} has power; look at it.",
	"power-silent":     "No power record of charger {charger} since {since}; look at it.",
	"power-never-own":  "Nobody has recorded whether it has power; look at it.",
	"power-silent-own": "No power record since {since}; look at it.",
	"power-lost-own":   "Seen without power; last good {since}.",
	"power-dark-own":   "Seen without power.",

	"unread":      "Return of the wear that ended {when} is not accepted.",
	"unread-many": "Returns of {n} wears are not accepted; the first ended {when}.",
	"clear":       "Memory holds {runs} of {capacity} runs, all read; clear it.",

	"kit-empty": "Kit {kit} holds no units then.",

	"contra-two-places":         "Two places at once, {when}: {a} and {b}.",
	"contra-out-twice":          "Handed out {when} while still out on another booking.",
	"contra-after-retired":      "{b} {when}, after it was retired.",
	"contra-two-chargers":       "On two chargers at once, {when}.",
	"contra-worn-on-charger":    "Put on charge {when}, inside a wear.",
	"contra-read-before-worn":   "Return accepted {when}, before the wear ended.",
	"contra-worn-away":          "Worn while away: {a} since {when}.",
	"contra-signed-off-nothing": "Signed off {when}, but no such hold stood then.",
	"contra-two-verdicts":       "Certificates {a} and {b} of {when} differ in their verdict; the graver counts.",

	"fact-charge-on":       "put on charge {when}",
	"fact-charge-off":      "taken off charge {when}",
	"fact-power-seen":      "power looked at {when}",
	"fact-opening":         "opening statement of {when}",
	"fact-custody":         "{state}, {when}",
	"fact-held":            "hold of {when}",
	"fact-signed-off":      "sign-off of {when}",
	"fact-worn":            "wear to {when}",
	"fact-return-accepted": "return accepted {when}",
	"fact-cleared":         "memory cleared {when}",
	"fact-coverage-ended":  "{cause}, {when}",
	"fact-extended":        "extension of {when} by {by}",
	"fact-retracted":       "retraction of {when}",
}

// fill puts the arguments into a catalogued sentence, each once: a value that holds braces stays as it is.
func fill(form string, args map[string]string) string {
	text, ok := sentences[form]
	if !ok {
		return form
	}
	pairs := make([]string, 0, 2*len(args))
	for k, v := range args {
		pairs = append(pairs, "{"+k+"}", v)
	}
	return strings.NewReplacer(pairs...).Replace(text)
}

// Text is the reason as a sentence: the thing, the reason, the date.
func (r Reason) Text() string { return fill(r.Form, r.Args) }

// Forms lists the catalogued sentences in order, for tests and translators.
func Forms() []string {
	forms := make([]string, 0, len(sentences))
	for f := range sentences {
		forms = append(forms, f)
	}
	sort.Strings(forms)
	return forms
}

// clock writes dates and times for people: in one zone, the year only where it is not this one.
type clock struct {
	loc  *time.Location
	year int
}

func clockAt(loc *time.Location, now time.Time) clock { return clock{loc, now.In(loc).Year()} }

// day gives "Fri 4 Dec", or "Mon 4 Jan 2027".
func (c clock) day(d civil.Date) string {
	layout := "Mon 2 Jan"
	if d.Year != c.year {
		layout += " 2006"
	}
	return time.Date(d.Year, d.Month, d.Day, 12, 0, 0, 0, time.UTC).Format(layout)
}

// dayOf gives the day of an instant in the zone.
func (c clock) dayOf(ms int64) string { return c.day(civil.Of(time.UnixMilli(ms).In(c.loc))) }

// moment gives "Wed 25 Nov, 12:00 GMT".
func (c clock) moment(ms int64) string {
	t := time.UnixMilli(ms).In(c.loc)
	return c.day(civil.Of(t)) + t.Format(", 15:04 MST")
}
