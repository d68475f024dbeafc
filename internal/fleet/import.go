package fleet

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"time"

	"kitd/internal/access"
	"kitd/internal/civil"
	"kitd/internal/fault"
	"kitd/internal/ident"
)

// MaxRows is how many rows of tables are taken at once.
const MaxRows = 20000

// mostFaults is how many places are named at once; whoever mends those finds the rest.
const mostFaults = 100

// Given is a cell of a table: what it says, and whether the table has such a column at all. A column that is missing leaves
// things as they are; an empty cell empties.
type Given[T any] struct {
	Value T
	Told  bool
}

// UnitRow is one unit as a table of the fleet has it, by names instead of identifiers.
type UnitRow struct {
	Row                          int // as people count the rows of the table; faults name it
	Tag                          string
	Kind                         Given[Kind] // must be the kind of the model
	Model, Maker                 Given[string]
	Serial, Microphone, Firmware Given[string]
	Depot                        Given[string] // code of the home depot
	Kit                          Given[string] // code of the kit it is in from now on; empty: in none
	Ownership                    Given[Ownership]
	Client                       Given[ident.ID]
	HireFrom, HireTo             Given[civil.Date]
}

// CertificateRow is what a certificate says of one unit; rows of one laboratory, number and calibration date belong together.
type CertificateRow struct {
	Row                                      int
	Number, Laboratory, Tag                  string
	Calibrated                               civil.Date
	Issued                                   Given[civil.Date]
	Verdict                                  LabVerdict
	AsFoundDB, AsLeftDB, LevelDB, ExpandedDB Given[*float64] // dB; see Line
	CoverageK                                Given[float64]
	Microphone, Note                         Given[string]
	Due                                      Given[civil.Date] // zero: counted by the laboratory's rule, or left as it is
}

// Batch is tables to be taken in. With DryRun everything is tried and nothing stays.
type Batch struct {
	Units        []UnitRow
	Certificates []CertificateRow
	DryRun       bool
	Expect       string // Report.Digest of a dry run: what it would do now must still be that, else fault.Changed; empty: whatever it is
}

// Report says what a batch adds and changes, in the order of its rows.
type Report struct {
	Added     []Planned
	Changed   []Planned
	Unchanged int    // rows that say what is on record already
	Digest    string // of all this, for Batch.Expect
}

// Planned is one thing that a batch adds or changes.
type Planned struct {
	Row         int
	Noun, Name  string // "unit" D-001, "certificate" KL-77
	Differences []Difference
}

// Difference is one cell of a thing that reads otherwise from now on.
type Difference struct{ Field, Before, After string }

// errTried undoes a batch that was only tried.
var errTried = errors.New("tried, not kept")

// Import takes tables in: units are found by their tags whatever the case and keep the spelling on record, certificates by
// laboratory, number and calibration date. Everything or nothing is stored, in one transaction; what the tables say that is on
// record already changes nothing. A line of a certificate that reads otherwise makes a correction: both entries stay, the old one
// counts no more. Faults name row and field, "rows/7/serial".
func (k *Keeper) Import(ctx context.Context, who access.Actor, b Batch) (Report, error) {
	if err := keeps(who, "take in tables"); err != nil {
		return Report{}, err
	}
	if n := len(b.Units) + len(b.Certificates); n > MaxRows {
		return Report{}, fault.New(fault.TooLarge, "noun", "table", "limit", fmt.Sprintf("%d rows", MaxRows))
	}
	var done Report
	err := k.Do(ctx, who, func(s Store) error {
		im := intake{k: k, s: s, who: who, now: k.now(), c: checker{what: "the table"}}
		if err := im.run(b); err != nil {
			return err
		}
		done = im.report
		done.Digest = done.digest()
		if b.Expect != "" && b.Expect != done.Digest {
			return fault.New(fault.Changed, "noun", "pool")
		}
		if b.DryRun {
			return errTried
		}
		return nil
	})
	if b.DryRun && errors.Is(err, errTried) {
		err = nil
	}
	if err != nil {
		return Report{}, err
	}
	return done, nil
}

func (r Report) digest() string {
	sum := sha256.Sum256(fmt.Appendf(nil, "%#v %#v %d", r.Added, r.Changed, r.Unchanged))
	return hex.EncodeToString(sum[:])
}

// intake is one run of Import inside its transaction.
type intake struct {
	k      *Keeper
	s      Store
	who    access.Actor
	now    time.Time
	c      checker
	report Report

	models  map[string][]Model // by folded name
	depots  map[string]Depot   // by folded code
	kits    map[string]Kit     // by folded code
	kitByID map[ident.ID]Kit
	labs    map[string]Laboratory // by folded name
}

func (im *intake) run(b Batch) error {
	if err := im.learn(); err != nil {
		return err
	}
	if err := im.units(b.Units); err != nil {
		return err
	}
	if err := im.certificates(b.Certificates); err != nil {
		return err
	}
	return im.wrong()
}

// wrong is the fault of everything found so far.
func (im *intake) wrong() error {
	if n := len(im.c.fields); n > mostFaults {
		im.c.fields = append(im.c.fields[:mostFaults:mostFaults], fault.Field{Path: "rows", Text: fmt.Sprintf("%d more places have to change; mend these first", n-mostFaults)})
	}
	return im.c.err()
}

// bad notes a fault at a row's field.
func (im *intake) bad(row int, field, format string, args ...any) {
	im.c.bad(fmt.Sprintf("rows/%d/%s", row, field), format, args...)
}

// badAs notes what a check or the store says against a row; errors that no table can mend come back.
func (im *intake) badAs(row int, fallback string, err error) error {
	e := fault.Of(err)
	if e.Kind() != fault.Invalid && e.Kind() != fault.Conflict && e.Kind() != fault.NotFound {
		return err
	}
	for _, f := range e.Fields {
		im.bad(row, f.Path[strings.LastIndexByte(f.Path, '/')+1:], "%s", f.Text)
	}
	if len(e.Fields) == 0 {
		im.bad(row, fallback, "%s", e.Sentence())
	}
	return nil
}

// learn reads what the names in tables can mean.
func (im *intake) learn() error {
	models, err := im.s.Models()
	if err != nil {
		return err
	}
	im.models = map[string][]Model{}
	for _, m := range models {
		im.models[FoldTag(m.Name)] = append(im.models[FoldTag(m.Name)], m)
	}
	depots, err := im.s.Depots()
	if err != nil {
		return err
	}
	im.depots = map[string]Depot{}
	for _, d := range depots {
		im.depots[FoldTag(d.Code)] = d
	}
	kits, err := im.s.Kits(ident.ID{})
	if err != nil {
		return err
	}
	im.kits, im.kitByID = map[string]Kit{}, map[ident.ID]Kit{}
	for _, k := range kits {
		im.kits[FoldTag(k.Code)], im.kitByID[k.ID] = k, k
	}
	labs, err := im.s.Laboratories()
	im.labs = map[string]Laboratory{}
	for _, l := range labs {
		im.labs[FoldTag(l.Name)] = l
	}
	return err
}
