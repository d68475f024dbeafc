package notify

import (
	"fmt"
	"strings"
	"time"

	"kitd/internal/civil"
)

// wording gives subject and body of the mail for one depot. The subject says the most urgent thing in it.
func wording(depot []notice, now time.Time, url string) (subject, body string) {
	first := depot[0].lapse
	subject = fmt.Sprintf("%s: %s", first.Tag, ends(first, now))
	if more := len(depot) - 1; more > 0 {
		subject += fmt.Sprintf(", and %d more", more)
	}
	broken := 0
	for _, n := range depot {
		broken += len(n.lapse.Breaks)
	}
	if broken > 0 {
		subject += fmt.Sprintf("; %s at stake", count(broken, "booking"))
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %s\n\n", first.DepotName, count(len(depot), "laboratory calibration needs", "laboratory calibrations need")+" somebody.")
	for _, n := range depot {
		entry(&b, n, now)
	}
	b.WriteString("A unit is fit only while its certificate covers the whole time from hand-out through the after-check;\n" +
		"results measured without cover cannot be defended.\n")
	if url != "" {
		fmt.Fprintf(&b, "\n%s/shelf\n", strings.TrimRight(url, "/"))
	}
	return subject, b.String()
}

func entry(b *strings.Builder, n notice, now time.Time) {
	l := n.lapse
	fmt.Fprintf(b, "%s (%s): %s.\n", l.Tag, l.Kind, ends(l, now))
	if l.Certificate != "" {
		fmt.Fprintf(b, "  Certificate %s, last covered day %s.\n", l.Certificate, day(l.Due, l.Zone))
	}
	for _, k := range l.Breaks {
		fmt.Fprintf(b, "  Breaks %s, %s to %s.\n", k.Label, moment(k.Span.From, l.Zone), moment(k.Span.To, l.Zone))
	}
	if len(l.Breaks) == 0 {
		b.WriteString("  No booking reaches beyond it so far.\n")
	}
	b.WriteString("\n")
}

func ends(l Lapse, now time.Time) string {
	days := civil.Of(now.In(l.Zone)).DaysUntil(l.Due)
	switch {
	case days > 1:
		return fmt.Sprintf("certificate ends in %d days, %s", days, day(l.Due, l.Zone))
	case days == 1:
		return "certificate ends tomorrow, " + day(l.Due, l.Zone)
	case days == 0:
		return "certificate ends today, " + day(l.Due, l.Zone)
	case days == -1:
		return "certificate ended yesterday, " + day(l.Due, l.Zone)
	}
	return fmt.Sprintf("certificate ended %d days ago, %s", -days, day(l.Due, l.Zone))
}

func day(d civil.Date, loc *time.Location) string {
	return d.Start(loc).Format("Mon 2 Jan 2006")
}

func moment(t time.Time, loc *time.Location) string {
	return t.In(loc).Format("Mon 2 Jan 2006 15:04 MST")
}

func count(n int, one string, many ...string) string {
	word := one + "s"
	if len(many) > 0 {
		word = many[0]
	}
	if n == 1 {
		word = one
	}
	return fmt.Sprintf("%d %s", n, word)
}
