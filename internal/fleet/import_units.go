package fleet

import (
	"fmt"
	"maps"
	"slices"

	"kitd/internal/fault"
	"kitd/internal/ident"
)

// units takes the rows of units: first every row is looked at, then all are stored, then kits are packed.
func (im *intake) units(rows []UnitRow) error {
	seen := map[string]int{}
	type ready struct {
		row           UnitRow
		before, after Unit
	}
	all := make([]ready, 0, len(rows))
	for _, r := range rows {
		key := FoldTag(r.Tag)
		if first, twice := seen[key]; twice {
			im.bad(r.Row, "tag", "is %s, the tag of row %d again (case does not count); keep one row for a unit", r.Tag, first)
			continue
		}
		seen[key] = r.Row
		before, after, err := im.unit(r)
		if err != nil {
			return err
		}
		all = append(all, ready{r, before, after})
	}
	if err := im.wrong(); err != nil {
		return err
	}
	moves := map[ident.ID]kitMove{}
	var ids []ident.ID
	for i := range all {
		x := &all[i]
		changed, err := im.saveUnit(x.row, x.before, &x.after)
		if err != nil {
			return err
		}
		ids = append(ids, x.after.ID)
		moves[x.after.ID] = kitMove{row: x.row, planned: changed, fresh: x.before.ID.IsZero(), tag: x.after.Tag}
	}
	if err := im.wrong(); err != nil {
		return err
	}
	if err := im.pack(ids, moves); err != nil {
		return err
	}
	for _, id := range ids {
		im.tell("unit", moves[id])
	}
	return nil
}

// kitMove is a row on its way into the report, with the kit it may enter or leave.
type kitMove struct {
	row      UnitRow
	planned  []Difference
	fresh    bool
	tag      string
	from, to ident.ID // kits; both zero: it stays where it is
}

func (im *intake) tell(noun string, m kitMove) {
	p := Planned{Row: m.row.Row, Noun: noun, Name: m.tag, Differences: m.planned}
	switch {
	case m.fresh:
		im.report.Added = append(im.report.Added, p)
	case len(m.planned) > 0:
		im.report.Changed = append(im.report.Changed, p)
	default:
		im.report.Unchanged++
	}
}

// unit gives the unit on record (zero: none) and the one the row asks for. What is wrong is noted.
func (im *intake) unit(r UnitRow) (before, after Unit, err error) {
	before, err = im.s.UnitByTag(r.Tag)
	if fault.Is(err, fault.NotThere) {
		before, err = Unit{}, nil
	}
	if err != nil {
		return before, after, err
	}
	after = before
	if before.ID.IsZero() {
		after = Unit{ID: im.k.NewID(), Tag: r.Tag, Ownership: Owned, Entered: im.now}
	}
	im.named(r, &after)
	set(&after.Serial, r.Serial)
	set(&after.Microphone, r.Microphone)
	set(&after.Firmware, r.Firmware)
	set(&after.Client, r.Client)
	set(&after.HireFrom, r.HireFrom)
	set(&after.HireTo, r.HireTo)
	if r.Ownership.Told && r.Ownership.Value != "" {
		after.Ownership = r.Ownership.Value
	}
	if !im.who.Scope.Sees(after.Client) {
		im.bad(r.Row, "client", "is no client here; enter the client first")
	}
	if r.Kit.Told && r.Kit.Value != "" {
		if _, there := im.kits[FoldTag(r.Kit.Value)]; !there {
			im.bad(r.Row, "kit", "is %s, and there is no such kit; enter the kit first, or leave the cell empty", r.Kit.Value)
		}
	}
	if err := after.check(); err != nil {
		for _, f := range fault.Of(err).Fields {
			if f.Path != "model" && f.Path != "depot" { // those named has noted already
				im.bad(r.Row, f.Path, "%s", f.Text)
			}
		}
	}
	return before, after, nil
}

func set[T any](to *T, from Given[T]) {
	if from.Told {
		*to = from.Value
	}
}

// named finds the model and the depot that a row names.
func (im *intake) named(r UnitRow, u *Unit) {
	if r.Depot.Told {
		d, there := im.depots[FoldTag(r.Depot.Value)]
		if !there {
			im.bad(r.Row, "depot", "is %q, and there is no depot of that code; enter the depot first, or write one of: %s", r.Depot.Value, depotCodes(im.depots))
		}
		u.Depot = d.ID
	} else if u.Depot.IsZero() {
		im.bad(r.Row, "depot", "is needed for a new unit; add the column with the code of the home depot")
	}
	if !r.Model.Told {
		if u.Model.IsZero() {
			im.bad(r.Row, "model", "is needed for a new unit; add the column with the name of the model")
		}
		return
	}
	if m, there := im.model(r); there {
		u.Model = m.ID
	}
}

func (im *intake) model(r UnitRow) (Model, bool) {
	var fit []Model
	for _, m := range im.models[FoldTag(r.Model.Value)] {
		if !r.Maker.Told || r.Maker.Value == "" && len(im.models[FoldTag(r.Model.Value)]) == 1 || FoldTag(m.Maker) == FoldTag(r.Maker.Value) {
			fit = append(fit, m)
		}
	}
	switch {
	case len(fit) == 0:
		im.bad(r.Row, "model", "is %q, and there is no such model%s; enter the model with its rules first", r.Model.Value, ofMaker(r.Maker.Value))
		return Model{}, false
	case len(fit) > 1:
		im.bad(r.Row, "maker", "is needed: several makes have a model %s", r.Model.Value)
		return Model{}, false
	case r.Kind.Told && r.Kind.Value != "" && r.Kind.Value != fit[0].Kind:
		im.bad(r.Row, "kind", "is %q, but the model %s is a %s; change the kind or the model", r.Kind.Value, fit[0].Name, fit[0].Kind)
		return Model{}, false
	}
	return fit[0], true
}

func ofMaker(maker string) string {
	if maker == "" {
		return ""
	}
	return " of the make " + maker
}

// depotCodes lists the codes of depots, as far as they can be read at a glance.
func depotCodes(depots map[string]Depot) string {
	text, n := "", 0
	for _, key := range slices.Sorted(maps.Keys(depots)) {
		if n++; n > 12 {
			return text + " …"
		}
		if text != "" {
			text += ", "
		}
		text += depots[key].Code
	}
	return text
}

// saveUnit stores a unit that is new or reads otherwise and gives the differences.
func (im *intake) saveUnit(r UnitRow, before Unit, after *Unit) ([]Difference, error) {
	fresh := before.ID.IsZero()
	diff := im.differences(before, *after)
	if !fresh && len(diff) == 0 {
		return nil, nil
	}
	seen := before.Version
	after.Version = seen + 1
	err := edit[Unit]{noun: "unit", id: after.ID, client: after.Client, seen: seen, after: after, save: func() error { return im.s.SaveUnit(*after) },
		load: func() (Unit, int, error) { return before, before.Version, nil }}.apply(im.s)
	if fault.Is(err, fault.AlreadyUsed) {
		im.bad(r.Row, "tag", "is in use already by a unit that this account does not see; choose another tag")
		return nil, im.wrong() // the store's transaction stands on it: nothing more can be tried
	}
	if fresh {
		diff = nil
	}
	return diff, err
}

func (im *intake) differences(a, b Unit) []Difference {
	var out []Difference
	add := func(field, before, after string) {
		if before != after {
			out = append(out, Difference{field, before, after})
		}
	}
	add("model", im.modelName(a.Model), im.modelName(b.Model))
	add("serial", a.Serial, b.Serial)
	add("microphone", a.Microphone, b.Microphone)
	add("firmware", a.Firmware, b.Firmware)
	add("depot", im.depotCode(a.Depot), im.depotCode(b.Depot))
	add("ownership", string(a.Ownership), string(b.Ownership))
	if a.Client != b.Client {
		out = append(out, Difference{"client", ownerText(a.Client), ownerText(b.Client)})
	}
	add("hire_from", a.HireFrom.String(), b.HireFrom.String())
	add("hire_to", a.HireTo.String(), b.HireTo.String())
	return out
}

// ownerText says whether a client is named; the fleet knows clients by identifier only.
func ownerText(client ident.ID) string {
	if client.IsZero() {
		return ""
	}
	return client.String()
}

func (im *intake) modelName(id ident.ID) string {
	for _, same := range im.models {
		for _, m := range same {
			if m.ID == id {
				return fmt.Sprintf("%s %s", m.Maker, m.Name)
			}
		}
	}
	return ""
}

func (im *intake) depotCode(id ident.ID) string {
	for _, d := range im.depots {
		if d.ID == id {
			return d.Code
		}
	}
	return ""
}

// pack moves units between kits where rows say so: all that leave go first, so that two kits can exchange units.
func (im *intake) pack(ids []ident.ID, moves map[ident.ID]kitMove) error {
	in, err := im.stays(ids)
	if err != nil {
		return err
	}
	leave, join := map[ident.ID][]ident.ID{}, map[ident.ID][]ident.ID{}
	for _, id := range ids {
		m := moves[id]
		if !m.row.Kit.Told {
			continue
		}
		m.from, m.to = in[id], im.kits[FoldTag(m.row.Kit.Value)].ID
		if m.row.Kit.Value == "" {
			m.to = ident.ID{}
		}
		if m.from == m.to {
			continue
		}
		if !m.from.IsZero() {
			leave[m.from] = append(leave[m.from], id)
		}
		if !m.to.IsZero() {
			join[m.to] = append(join[m.to], id)
		}
		m.planned = append(m.planned, Difference{"kit", im.kitByID[m.from].Code, im.kitByID[m.to].Code})
		moves[id] = m
	}
	if err := im.repack(leave, moves, func(units []ident.ID, some []ident.ID) []ident.ID {
		return slices.DeleteFunc(units, func(u ident.ID) bool { return slices.Contains(some, u) })
	}); err != nil {
		return err
	}
	return im.repack(join, moves, func(units []ident.ID, some []ident.ID) []ident.ID { return append(units, some...) })
}

// stays gives the kit in which each unit is now.
func (im *intake) stays(ids []ident.ID) (map[ident.ID]ident.ID, error) {
	in := map[ident.ID]ident.ID{}
	ms, err := im.s.MembershipsOf(ids)
	for _, m := range ms {
		if !m.From.After(im.now) && (m.To.IsZero() || m.To.After(im.now)) {
			in[m.Unit] = m.Kit
		}
	}
	return in, err
}

func (im *intake) repack(kits map[ident.ID][]ident.ID, moves map[ident.ID]kitMove, with func(units, some []ident.ID) []ident.ID) error {
	for _, kit := range slices.SortedFunc(maps.Keys(kits), func(a, b ident.ID) int { return slices.Compare(a[:], b[:]) }) {
		some := kits[kit]
		if err := im.s.LockKit(kit); err != nil {
			return err
		}
		units, err := im.s.KitUnits(kit, im.now)
		if err != nil {
			return err
		}
		p := packing{s: im.s, kit: kit, units: with(units, some), from: im.now, now: im.now}
		if err := p.apply(); err != nil {
			e := fault.Of(err)
			if e.Kind() != fault.Invalid && e.Kind() != fault.Conflict {
				return err
			}
			im.bad(moves[some[0]].row.Row, "kit", "cannot change now for kit %s: %s", im.kitByID[kit].Code, e.Sentence())
			return im.wrong()
		}
	}
	return nil
}
