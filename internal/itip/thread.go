package itip

import (
	"fmt"
	"slices"

	"kitd/internal/fault"
	"kitd/internal/ical"
)

func sortByStart(list []Instance) {
	slices.SortStableFunc(list, func(a, b Instance) int { return a.Start.Compare(b.Start) })
}

func revisionOf(h ical.Head) Revision { return Revision{h.Sequence, h.Stamp} }

// Apply works a REQUEST, ADD or CANCEL into the thread. us tells whether a person of the message is this address. The message
// has no Trouble. What comes back is the thread as the organizer sees it; the given one is left alone.
func (t Thread) Apply(m *ical.Message, us func(ical.Person) bool) (Thread, Step, error) {
	next := t
	next.UID = m.UID
	next.Instances = slices.Clone(t.Instances)
	sorted := *m
	sorted.Heads = slices.Clone(m.Heads)
	slices.SortStableFunc(sorted.Heads, func(a, b ical.Head) int { return a.RecurrenceID.Compare(b.RecurrenceID) }) // the whole first
	var news, same bool
	for _, h := range sorted.Heads {
		how := next.take(&sorted, h, us)
		news, same = news || how == fresh, same || how == known
	}
	switch {
	case !news && same:
		return t, StepRepeat, nil
	case !news:
		return t, StepLate, nil
	case len(next.Instances) > MaxInstances:
		return t, "", fault.New(fault.CalendarObject, "what", fmt.Sprintf("its series has changed more than %d instances by now; cancel it and make a new one", MaxInstances))
	case len(next.Live()) == 0:
		return next, StepRelease, nil
	}
	return next, StepAsk, nil
}

// age says how a component stands to what is known.
type age int

const (
	older age = iota
	known
	fresh
)

func ageOf(given, have Revision) age {
	switch c := given.Compare(have); {
	case c > 0:
		return fresh
	case c == 0:
		return known
	}
	return older
}

// take works one component in.
func (t *Thread) take(m *ical.Message, h ical.Head, us func(ical.Person) bool) age {
	listed := slices.ContainsFunc(h.Attendees, us)
	// An organizer who takes us off sends the event without us. One that never listed us sent it as a blind copy.
	drop := m.Method == "CANCEL" || m.Method == "REQUEST" && t.Listed && !listed
	var how age
	switch {
	case m.Method == "ADD":
		how = t.add(m, h)
	case h.RecurrenceID.IsZero() && drop:
		how = t.cancel(revisionOf(h), m.Method)
	case h.RecurrenceID.IsZero():
		how = t.replace(m, h)
	default:
		how = t.change(m, h, drop)
	}
	if how == fresh && !drop {
		t.Listed = t.Listed || listed
		t.name(h)
	}
	return how
}

// name keeps what the newest component calls the event.
func (t *Thread) name(h ical.Head) {
	if h.RecurrenceID.IsZero() || t.Title == "" {
		t.Title, t.Order = h.Summary, OrderOf(h)
	}
}

// cancel takes the event as a whole away. A tombstone of its revision stays.
func (t *Thread) cancel(r Revision, method string) age {
	how := ageOf(r, t.Master)
	if how == known && method == "CANCEL" && !t.Gone {
		how = fresh // a CANCEL need not be newer than what it cancels
	}
	if how == fresh {
		t.Master, t.Gone = r, true
		t.Instances = slices.DeleteFunc(t.Instances, func(i Instance) bool { return !i.Own || i.Revision.Compare(r) <= 0 })
		t.Gone = len(t.Instances) == 0 || !slices.ContainsFunc(t.Instances, func(i Instance) bool { return !i.Gone })
	}
	return how
}

// replace takes a whole event. What is known of single instances by newer messages stays.
func (t *Thread) replace(m *ical.Message, h ical.Head) age {
	r := revisionOf(h)
	how := ageOf(r, t.Master)
	if how != fresh {
		return how
	}
	newer := slices.DeleteFunc(slices.Clone(t.Instances), func(i Instance) bool { return !i.Own || i.Revision.Compare(r) <= 0 })
	t.Master, t.Gone, t.Instances = r, false, nil
	for _, o := range m.Event.Occurrences {
		if !o.Changed { // overrides follow as heads of their own
			t.put(instance(m.Event, o, r))
		}
	}
	for _, i := range newer {
		t.put(i)
	}
	return fresh
}

// change takes one instance.
func (t *Thread) change(m *ical.Message, h ical.Head, drop bool) age {
	r := revisionOf(h)
	have := t.Master
	i := slices.IndexFunc(t.Instances, func(i Instance) bool { return i.ID.Equal(h.RecurrenceID) })
	if i >= 0 {
		have = t.Instances[i].Revision
	}
	how := ageOf(r, have)
	// Within one message the event and its instances belong together, whatever their numbers.
	together := len(m.Heads) > 1 && t.Master == revisionOf(m.Heads[0]) && m.Heads[0].RecurrenceID.IsZero() && (i < 0 || !t.Instances[i].Own)
	cancels := drop && how == known && !(i >= 0 && t.Instances[i].Gone) && !t.Gone
	if how != fresh && !together && !cancels {
		return how
	}
	if t.Gone {
		t.Gone = drop
	}
	if drop {
		t.put(Instance{ID: h.RecurrenceID, Revision: r, Own: true, Gone: true})
		return fresh
	}
	for _, o := range m.Event.Occurrences {
		if o.Changed && o.RecurrenceID.Equal(h.RecurrenceID) {
			made := instance(m.Event, o, r)
			made.Own = true
			t.put(made)
			return fresh
		}
	}
	t.put(Instance{ID: h.RecurrenceID, Revision: r, Own: true, Gone: true}) // STATUS:CANCELLED in a REQUEST
	return fresh
}

// add takes instances that a series gains (RFC 5546, 3.2.4).
func (t *Thread) add(m *ical.Message, h ical.Head) age {
	r := revisionOf(h)
	how := ageOf(r, t.Master)
	if how != fresh {
		return how
	}
	t.Master = r
	for _, o := range m.Event.Occurrences {
		t.put(instance(m.Event, o, r))
	}
	return fresh
}

func (t *Thread) put(made Instance) {
	t.Instances = slices.DeleteFunc(t.Instances, func(i Instance) bool { return i.ID.Equal(made.ID) })
	t.Instances = append(t.Instances, made)
}

func instance(e *ical.Event, o ical.Occurrence, r Revision) Instance {
	id := o.RecurrenceID
	if id.IsZero() {
		id = o.Start
	}
	return Instance{ID: id.UTC(), Start: o.Start.UTC(), End: o.End.UTC(), Zone: zoneOf(e), Revision: r}
}

// zoneOf is the zone whose clock the visits keep; empty where the object brought its own rules.
func zoneOf(e *ical.Event) string {
	if e.Start.Zone == "UTC" || ical.Location(e.Start.Zone) == nil {
		return ""
	}
	return e.Start.Zone
}
