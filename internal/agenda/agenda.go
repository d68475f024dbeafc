// Package agenda is what calendar programs see of the desk: one collection a kit, whose objects are the bookings of the kit, and
// the tokens by which a program learns what changed while it was away. It knows no protocol and no file format.
package agenda

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"strconv"
	"strings"
	"time"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/schedule"
)

// Collection is the calendar of one kit.
type Collection struct {
	ID       ident.ID       // of the kit
	Code     string         // of the kit: names the collection in addresses
	Name     string         // of the kit
	Depot    string         // name of the kit's depot
	Location *time.Location // the depot's zone: floating and all-day times are read in it
	Token    string         // changes whenever the actor would see something else
	serial   int64
}

// Entry is one object of a collection, without its content.
type Entry struct {
	Collection ident.ID
	Name       string // last segment of the object's address
	UID        string
	Booking    ident.ID
	Version    int
	Span       fleet.Span // from the first start to the last end, without lead and lag
	Entered    time.Time
	Changed    time.Time
	Serial     int64
	Gone       bool
}

// Tag tells versions of an object apart: equal tags mean equal content.
func (e Entry) Tag() string { return e.Booking.String()[24:] + "-" + strconv.Itoa(e.Version) }

// Store is what the agenda needs of the transaction it reads in. Everything answers within the actor's walls unless it says
// otherwise.
type Store interface {
	// Depots lists every depot; Kits every kit of a depot, in order of their codes.
	Depots() ([]fleet.Depot, error)
	Kits(depot ident.ID) ([]fleet.Kit, error)
	// KitByCode finds a kit whatever the case of the code; Depot gives one depot. fault.NotThere when there is none.
	KitByCode(code string) (fleet.Kit, error)
	Depot(id ident.ID) (fleet.Depot, error)
	// KitUnits lists the units that are in the kit at a moment.
	KitUnits(kit ident.ID, at time.Time) ([]ident.ID, error)
	// CalendarSerial is the number of the last change in a collection; zero when there was none.
	CalendarSerial(collection ident.ID) (int64, error)
	// CalendarMark is the random mark that a change got with its serial, empty when there is none. A database restored from a
	// backup counts on from an older serial, but gives other marks.
	CalendarMark(collection ident.ID, serial int64) (string, error)
	// CalendarEntries lists the live objects whose span overlaps the given one, by start; a zero span means all.
	CalendarEntries(collection ident.ID, span fleet.Span) ([]Entry, error)
	// CalendarEntriesNamed finds live objects by name.
	CalendarEntriesNamed(collection ident.ID, names []string) ([]Entry, error)
	// CalendarEntryByUID finds the live object of a UID.
	CalendarEntryByUID(collection ident.ID, uid string) (Entry, bool, error)
	// CalendarChanges lists at most limit objects, live and gone, changed after a serial, in order of their serials.
	CalendarChanges(collection ident.ID, after int64, limit int) ([]Entry, error)
	// BookingsAcross gives bookings across walls: the agenda asks only for those of entries it was given, and looks again.
	BookingsAcross(ids []ident.ID) ([]schedule.Booking, error)
}

// Reader opens looks at the agenda.
type Reader struct {
	View func(context.Context, access.Actor, func(Store) error) error
}

// Look is one unchanging state of the agenda as an actor sees it. It is valid only inside the function it was given to.
type Look struct {
	s   Store
	who access.Actor
}

// Look runs fn on one state.
func (r *Reader) Look(ctx context.Context, who access.Actor, fn func(*Look) error) error {
	return r.View(ctx, who, func(s Store) error { return fn(&Look{s, who}) })
}

// Collections lists the collections the actor may see, by depot and code.
func (l *Look) Collections() ([]Collection, error) {
	depots, err := l.s.Depots()
	if err != nil {
		return nil, err
	}
	var all []Collection
	for _, d := range depots {
		kits, err := l.s.Kits(d.ID)
		if err != nil {
			return nil, err
		}
		for _, k := range kits {
			c, err := l.collection(k, d)
			if err != nil {
				return nil, err
			}
			all = append(all, c)
		}
	}
	return all, nil
}

// Collection finds one by the code of its kit, exactly as written, since addresses are compared so; fault.NotThere when there is
// none.
func (l *Look) Collection(code string) (Collection, error) {
	kit, err := l.s.KitByCode(code)
	if err == nil && kit.Code != code || fault.Is(err, fault.NotThere) {
		err = fault.New(fault.NotThere, "noun", "kit calendar")
	}
	if err != nil {
		return Collection{}, err
	}
	depot, err := l.s.Depot(kit.Depot)
	if err != nil {
		return Collection{}, err
	}
	return l.collection(kit, depot)
}

func (l *Look) collection(k fleet.Kit, d fleet.Depot) (c Collection, err error) {
	c = Collection{ID: k.ID, Code: k.Code, Name: k.Name, Depot: d.Name, Location: d.Location()}
	err = l.stamp(&c)
	return c, err
}

func (l *Look) stamp(c *Collection) (err error) {
	if c.serial, err = l.s.CalendarSerial(c.ID); err != nil {
		return err
	}
	c.Token, err = l.token(*c, c.serial)
	return err
}

// Entries lists the live objects whose whole span overlaps the given one, by start; a zero span means all. A series may
// overlap without having an instance there: Booking.Occurrences decide.
func (l *Look) Entries(c Collection, span fleet.Span) ([]Entry, error) {
	return l.s.CalendarEntries(c.ID, span)
}

// Entry finds a live object by name; ok is false when there is none.
func (l *Look) Entry(c Collection, name string) (e Entry, ok bool, err error) {
	found, err := l.s.CalendarEntriesNamed(c.ID, []string{name})
	if err != nil || len(found) == 0 {
		return Entry{}, false, err
	}
	return found[0], true, nil
}

// Named finds live objects by their names; those that are not there are left out.
func (l *Look) Named(c Collection, names []string) ([]Entry, error) {
	var all []Entry
	for part := range slices.Chunk(names, 200) {
		found, err := l.s.CalendarEntriesNamed(c.ID, part)
		if err != nil {
			return nil, err
		}
		all = append(all, found...)
	}
	return all, nil
}

// ByUID finds the live object of a UID.
func (l *Look) ByUID(c Collection, uid string) (Entry, bool, error) {
	return l.s.CalendarEntryByUID(c.ID, uid)
}

// Units lists the units that are in the kit at a moment.
func (l *Look) Units(c Collection, at time.Time) ([]ident.ID, error) { return l.s.KitUnits(c.ID, at) }

// Bookings gives the bookings behind entries, by identifier. One behind a wall by now is left out.
func (l *Look) Bookings(entries []Entry) (map[ident.ID]schedule.Booking, error) {
	all := make(map[ident.ID]schedule.Booking, len(entries))
	for part := range slices.Chunk(entries, 200) {
		ids := make([]ident.ID, len(part))
		for i, e := range part {
			ids[i] = e.Booking
		}
		found, err := l.s.BookingsAcross(ids)
		if err != nil {
			return nil, err
		}
		for _, b := range found {
			if l.who.Scope.Sees(b.Client) {
				all[b.ID] = b
			}
		}
	}
	return all, nil
}

// Delta is what changed since a token.
type Delta struct {
	Changed []Entry  // new or of another version
	Gone    []string // names
	Token   string   // to ask with next time
	More    bool     // the limit cut the answer off; ask again with Token
}

// Changes tells what changed in the collection since the token, which is empty for a program that knows nothing yet. A token
// that is not of this collection, or not of what the actor sees today, is fault.TokenStale: the program begins anew.
func (l *Look) Changes(c Collection, token string, limit int) (Delta, error) {
	after, err := l.serial(c, token)
	if err != nil {
		return Delta{}, err
	}
	rows, err := l.s.CalendarChanges(c.ID, after, limit+1)
	if err != nil {
		return Delta{}, err
	}
	d := Delta{Token: c.Token}
	if len(rows) > limit {
		rows, d.More = rows[:limit], true
		if d.Token, err = l.token(c, rows[limit-1].Serial); err != nil {
			return Delta{}, err
		}
	}
	var gone []string
	for _, e := range rows {
		switch {
		case !e.Gone:
			d.Changed = append(d.Changed, e)
		case token != "":
			gone = append(gone, e.Name)
		}
	}
	d.Gone, err = l.reallyGone(c, gone)
	return d, err
}

// reallyGone leaves out names that live on behind another wall the actor sees over.
func (l *Look) reallyGone(c Collection, names []string) ([]string, error) {
	live, err := l.Named(c, names)
	if err != nil || len(live) == 0 {
		return names, err
	}
	return slices.DeleteFunc(names, func(n string) bool {
		return slices.ContainsFunc(live, func(e Entry) bool { return e.Name == n })
	}), nil
}

const tokenPrefix = "data:,kitd-"

// token names a state: the serial and its mark, and what collection and walls it is seen through. A change of walls changes what
// is seen without any object changing, so old tokens must not count then.
func (l *Look) token(c Collection, serial int64) (string, error) {
	mark, err := l.s.CalendarMark(c.ID, serial)
	if err != nil {
		return "", err
	}
	h := sha256.New()
	h.Write(c.ID[:])
	h.Write([]byte(mark + "|"))
	if l.who.Scope.All {
		h.Write([]byte("all"))
	}
	clients := slices.Clone(l.who.Scope.Clients)
	slices.SortFunc(clients, func(a, b ident.ID) int { return slices.Compare(a[:], b[:]) })
	for _, id := range clients {
		h.Write(id[:])
	}
	return tokenPrefix + strconv.FormatInt(serial, 10) + "-" + hex.EncodeToString(h.Sum(nil)[:8]), nil
}

func (l *Look) serial(c Collection, token string) (int64, error) {
	if token == "" {
		return 0, nil
	}
	number, _, _ := strings.Cut(strings.TrimPrefix(token, tokenPrefix), "-")
	serial, err := strconv.ParseInt(number, 10, 64)
	if err != nil || serial < 0 || serial > c.serial {
		return 0, fault.New(fault.TokenStale)
	}
	known, err := l.token(c, serial)
	if err == nil && known != token {
		err = fault.New(fault.TokenStale)
	}
	return serial, err
}
