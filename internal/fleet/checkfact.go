package fleet

import (
	"fmt"
	"math"
	"time"
)

// check looks whether a fact can be read and is possible; what merely contradicts other facts is not refused.
func (f *Fact) check(c *checker, at string, now time.Time) {
	c.id(at+"unit", f.Unit, "a unit")
	c.when(at+"occurred", f.Occurred, now)
	c.note(at+"note", &f.Note, MaxNote, false)
	switch b := f.Body.(type) {
	case nil:
		c.bad(at+"body", "is missing: a fact must say what happened")
	case ChargeOn:
		c.id(at+"charger", b.Charger, "the charger")
		c.between(at+"position", b.Position, 1, 1000, "")
	case Opening:
		c.note(at+"statement", &b.Statement, MaxReason, true)
		f.Body = b
	case Custody:
		f.Body = b.check(c, at)
	case Held:
		c.note(at+"reason", &b.Reason, MaxReason, true)
		c.line(at+"rule", &b.Rule, MaxName, false)
		f.Body = b
	case SignedOff:
		c.id(at+"hold", b.Hold, "the hold it ends")
		c.note(at+"reason", &b.Reason, MaxReason, true)
		f.Body = b
	case Worn:
		c.id(at+"wear", b.Wear, "the wear")
		c.between(at+"minutes", b.Minutes, 0, 60*24*60, "minutes")
	case ReturnAccepted:
		c.id(at+"wear", b.Wear, "the wear")
	case Cleared:
		c.note(at+"reason", &b.Reason, MaxReason, false)
		f.Body = b
	case CoverageEnded:
		f.Body = b.check(c, at)
	case Extended:
		c.id(at+"line", b.Line, "the certificate line")
		if b.Due.IsZero() {
			c.bad(at+"due", "must name the last covered day")
		}
		c.note(at+"reason", &b.Reason, MaxReason, true)
		f.Body = b
	case Retracted:
		c.id(at+"fact", b.Fact, "the fact that was wrong")
		c.note(at+"reason", &b.Reason, MaxReason, true)
		f.Body = b
	}
}

func (b Custody) check(c *checker, at string) Custody {
	switch b.State {
	case InDepot, Out, AtLaboratory, InTransit, Lost, Retired:
	default:
		c.bad(at+"state", "is %q; it must be in depot, out, at laboratory, in transit, lost or retired", b.State)
	}
	c.line(at+"holder", &b.Holder, MaxName, false)
	b.Due = b.Due.UTC().Truncate(time.Millisecond)
	return b
}

func (b CoverageEnded) check(c *checker, at string) CoverageEnded {
	switch b.Cause {
	case "repair", "microphone", "firmware":
	default:
		c.bad(at+"cause", "is %q; it must be repair, microphone or firmware", b.Cause)
	}
	c.line(at+"microphone", &b.Microphone, MaxSerial, b.Cause == "microphone")
	c.line(at+"firmware", &b.Firmware, MaxSerial, b.Cause == "firmware")
	return b
}

func (x *Certificate) check(now time.Time) error {
	c := checker{what: "the certificate"}
	c.line("number", &x.Number, MaxName, true)
	c.id("laboratory", x.Laboratory, "the laboratory")
	c.note("note", &x.Note, MaxNote, false)
	if x.Calibrated.IsZero() {
		c.bad("calibrated", "must be the day of calibration")
	} else {
		c.past("calibrated", x.Calibrated, now)
	}
	if !x.Issued.IsZero() {
		c.past("issued", x.Issued, now)
		if x.Issued.Before(x.Calibrated) {
			c.bad("issued", "lies before the day of calibration")
		}
	}
	if x.File != "" && !hexHash(x.File) {
		c.bad("file", "is not a SHA-256 of 64 hexadecimal digits")
	}
	if len(x.Lines) == 0 {
		c.bad("lines", "must name at least one unit")
	}
	seen := map[[16]byte]int{}
	for i := range x.Lines {
		at := fmt.Sprintf("lines/%d/", i)
		if j, twice := seen[x.Lines[i].Unit]; twice {
			c.bad(at+"unit", "is the unit of lines/%d again", j)
		}
		seen[x.Lines[i].Unit] = i
		x.Lines[i].check(&c, at, x)
	}
	return c.err()
}

func (l *Line) check(c *checker, at string, x *Certificate) {
	c.id(at+"unit", l.Unit, "a unit")
	switch l.Verdict {
	case Pass, Fail, NotStated:
	default:
		c.bad(at+"verdict", "is %q; it must be pass, fail or not stated", l.Verdict)
	}
	if !l.Due.IsZero() && l.Due.Before(x.Calibrated) {
		c.bad(at+"due", "lies before the day of calibration")
	}
	c.line(at+"microphone", &l.Microphone, MaxSerial, false)
	for _, v := range []struct {
		name   string
		db     *float64
		lo, hi float64
	}{{"as_found_db", l.AsFoundDB, -60, 60}, {"as_left_db", l.AsLeftDB, -60, 60}, {"level_db", l.LevelDB, 60, 160}, {"expanded_u_db", l.ExpandedDB, 0, 30}} {
		if v.db != nil && (math.IsNaN(*v.db) || *v.db < v.lo || *v.db > v.hi) {
			c.bad(at+v.name, "is %v dB; it must be from %g to %g dB", *v.db, v.lo, v.hi)
		}
	}
	if math.IsNaN(l.CoverageK) || l.CoverageK < 0 || l.CoverageK > 10 {
		c.bad(at+"coverage_k", "is %v; it must be above 0 and at most 10", l.CoverageK)
	} else if l.CoverageK == 0 {
		l.CoverageK = 2
	}
}

func hexHash(s string) bool {
	if len(s) != 64 {
		return false
	}
	for _, r := range s {
		if (r < '0' || r > '9') && (r < 'a' || r > 'f') {
			return false
		}
	}
	return true
}
