package store

import (
	"strings"
	"time"

	"kitd/internal/civil"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/survey"
)

const dayColumns = `id, client_id, survey_id, worker_id, group_id, starts, date, shift_minutes, parts, note, entered, by_name, version`

func scanDay(scan scanner, d *survey.WorkerDay) error {
	var starts, entered instant
	var date day
	var parts string
	err := scan((*key)(&d.ID), (*key)(&d.Client), (*key)(&d.Survey), (*key)(&d.Worker), (*key)(&d.Group), &starts, &date, &d.ShiftMinutes,
		&parts, &d.Note, &entered, &d.By, &d.Version)
	if err != nil {
		return err
	}
	d.Start, d.Date, d.Entered = starts.time(), civil.Date(date), entered.time()
	return readJSON(parts, &d.Parts)
}

// InsertDay implements survey.Store.
func (tx *Tx) InsertDay(d survey.WorkerDay) error {
	parts, err := jsonText(d.Parts)
	if err != nil {
		return err
	}
	_, err = tx.exec(`INSERT INTO worker_day (`+dayColumns+`) VALUES (`+marks(13)+`)`, d.ID, d.Client, d.Survey, d.Worker, d.Group, d.Start,
		d.Date, d.ShiftMinutes, parts, d.Note, d.Entered, d.By, d.Version)
	return err
}

// UpdateDay implements survey.Store.
func (tx *Tx) UpdateDay(d survey.WorkerDay) error {
	parts, err := jsonText(d.Parts)
	if err != nil {
		return err
	}
	cond, args := tx.scope("client_id")
	return tx.execOne("worker-day", `UPDATE worker_day SET group_id = ?, starts = ?, date = ?, shift_minutes = ?, parts = ?, note = ?, version = ?
		WHERE id = ? AND version = ? AND `+cond,
		append([]any{d.Group, d.Start, d.Date, d.ShiftMinutes, parts, d.Note, d.Version, d.ID, d.Version - 1}, args...)...)
}

// DayByID implements survey.Store.
func (tx *Tx) DayByID(id ident.ID) (survey.WorkerDay, error) {
	cond, args := tx.scope("client_id")
	rows, err := list(tx, `SELECT `+dayColumns+` FROM worker_day WHERE id = ? AND `+cond, append([]any{id}, args...), scanDay)
	return one(rows, err, "worker-day")
}

// DaysOf implements survey.Store.
func (tx *Tx) DaysOf(v ident.ID) ([]survey.WorkerDay, error) {
	cond, args := tx.scope("client_id")
	return list(tx, `SELECT `+dayColumns+` FROM worker_day WHERE survey_id = ? AND `+cond+` ORDER BY starts, id`, append([]any{v}, args...), scanDay)
}

const wearColumns = `id, client_id, survey_id, day_id, worker_id, unit_id, unit_tag, side, starts, stops, outcome, entered, by_name, version`

func scanWear(scan scanner, w *survey.Wear) error {
	var starts, stops, entered instant
	err := scan((*key)(&w.ID), (*key)(&w.Client), (*key)(&w.Survey), (*key)(&w.Day), (*key)(&w.Worker), (*key)(&w.Unit), &w.UnitTag, &w.Side,
		&starts, &stops, &w.Outcome, &entered, &w.By, &w.Version)
	w.Start, w.Stop, w.Entered = starts.time(), stops.time(), entered.time()
	return err
}

// InsertWear implements survey.Store.
func (tx *Tx) InsertWear(w survey.Wear) error {
	_, err := tx.exec(`INSERT INTO wear (`+wearColumns+`) VALUES (`+marks(14)+`)`, w.ID, w.Client, w.Survey, w.Day, w.Worker, w.Unit, w.UnitTag,
		w.Side, w.Start, w.Stop, w.Outcome, w.Entered, w.By, w.Version)
	return err
}

// UpdateWear implements survey.Store.
func (tx *Tx) UpdateWear(w survey.Wear) error {
	cond, args := tx.scope("client_id")
	return tx.execOne("wear", `UPDATE wear SET side = ?, starts = ?, stops = ?, outcome = ?, version = ? WHERE id = ? AND version = ? AND `+cond,
		append([]any{w.Side, w.Start, w.Stop, w.Outcome, w.Version, w.ID, w.Version - 1}, args...)...)
}

// AppendWearFact implements survey.Store.
func (tx *Tx) AppendWearFact(w survey.Wear, f survey.WearFact) error {
	notFit, err := jsonText(f.NotFit)
	if err != nil {
		return err
	}
	_, err = tx.exec(`INSERT INTO wear_fact (id, wear_id, client_id, kind, occurred, entered, by_name, outcome, note, override, not_fit)
		VALUES (`+marks(11)+`)`, f.ID, w.ID, w.Client, f.Kind, f.Occurred, f.Entered, f.By, f.Outcome, f.Note, f.Override, notFit)
	return err
}

// wearFacts fills in what was said of each wear, in the order of entry.
func (tx *Tx) wearFacts(wears []survey.Wear) error {
	at := map[ident.ID]int{}
	for i, w := range wears {
		at[w.ID] = i
	}
	for start := 0; start < len(wears); start += 500 {
		part := wears[start:min(start+500, len(wears))]
		args := make([]any, len(part))
		for i, w := range part {
			args[i] = w.ID
		}
		cond, more := tx.scope("client_id")
		err := tx.each(`SELECT id, wear_id, kind, occurred, entered, by_name, outcome, note, override, not_fit FROM wear_fact
			WHERE wear_id IN (`+marks(len(part))+`) AND `+cond+` ORDER BY entered, id`, append(args, more...), func(scan scanner) error {
			var f survey.WearFact
			var occurred, entered instant
			var notFit string
			if err := scan((*key)(&f.ID), (*key)(&f.Wear), &f.Kind, &occurred, &entered, &f.By, &f.Outcome, &f.Note, &f.Override, &notFit); err != nil {
				return err
			}
			f.Occurred, f.Entered = occurred.time(), entered.time()
			w := &wears[at[f.Wear]]
			err := readJSON(notFit, &f.NotFit)
			w.Facts = append(w.Facts, f)
			return err
		})
		if err != nil {
			return err
		}
	}
	return nil
}

func (tx *Tx) wears(where, order string, args ...any) ([]survey.Wear, error) {
	cond, more := tx.scope("client_id")
	rows, err := list(tx, `SELECT `+wearColumns+` FROM wear WHERE `+where+` AND `+cond+order, append(args, more...), scanWear)
	if err != nil {
		return nil, err
	}
	return rows, tx.wearFacts(rows)
}

// WearByID implements survey.Store.
func (tx *Tx) WearByID(id ident.ID) (survey.Wear, error) {
	rows, err := tx.wears(`id = ?`, ``, id)
	return one(rows, err, "wear")
}

// WearsOf implements survey.Store.
func (tx *Tx) WearsOf(v ident.ID) ([]survey.Wear, error) {
	return tx.wears(`survey_id = ?`, ` ORDER BY starts, id`, v)
}

// longestWear bounds how far back a wear that is still open is looked for.
const longestWear = 14 * 24 * time.Hour

// WearsDuring implements survey.Store: wears that share time with the span, open ones included.
func (tx *Tx) WearsDuring(span fleet.Span) ([]survey.Wear, error) {
	return tx.wears(`starts < ? AND starts > ? AND (stops IS NULL OR stops > ?)`, ` ORDER BY starts, id`,
		span.To, span.From.Add(-longestWear), span.From)
}

const checkColumns = `id, client_id, wear_id, unit_id, calibrator_id, side_of_wear, at, indicated_mdb, adjusted_mdb, temperature_c, pressure_hpa, place, entered, by_name`

func scanCheck(scan scanner, c *survey.Check) error {
	var at, entered instant
	var indicated int64
	var adjusted *int64
	err := scan((*key)(&c.ID), (*key)(&c.Client), (*key)(&c.Wear), (*key)(&c.Unit), (*key)(&c.Calibrator), &c.When, &at, &indicated, &adjusted,
		&c.TemperatureC, &c.PressureHPa, &c.Place, &entered, &c.By)
	c.At, c.Entered, c.IndicatedDB = at.time(), entered.time(), survey.DB(indicated)
	if adjusted != nil {
		d := survey.DB(*adjusted)
		c.Adjusted, c.AdjustedDB = true, &d
	}
	return err
}

// InsertCheck implements survey.Store.
func (tx *Tx) InsertCheck(c survey.Check) error {
	var adjusted any
	if c.AdjustedDB != nil {
		adjusted = int64(*c.AdjustedDB)
	}
	_, err := tx.exec(`INSERT INTO field_check (`+checkColumns+`) VALUES (`+marks(14)+`)`, c.ID, c.Client, c.Wear, c.Unit, c.Calibrator, c.When, c.At,
		int64(c.IndicatedDB), adjusted, number(c.TemperatureC), number(c.PressureHPa), c.Place, c.Entered, c.By)
	return err
}

// number gives a figure that may be absent.
func number(f *float64) any {
	if f == nil {
		return nil
	}
	return *f
}

// ChecksOf implements survey.Store.
func (tx *Tx) ChecksOf(wear ident.ID) ([]survey.Check, error) {
	cond, args := tx.scope("client_id")
	return list(tx, `SELECT `+checkColumns+` FROM field_check WHERE wear_id = ? AND `+cond+` ORDER BY at, entered, id`, append([]any{wear}, args...), scanCheck)
}

// ChecksAcross implements survey.Store.
func (tx *Tx) ChecksAcross(calibrator ident.ID, from, to time.Time) ([]survey.Check, error) {
	return list(tx, `SELECT `+checkColumns+` FROM field_check WHERE wear_id IN (SELECT wear_id FROM field_check
		WHERE calibrator_id = ? AND at >= ? AND at <= ? AND side_of_wear = 'after') ORDER BY wear_id, at, entered, id`,
		[]any{calibrator, from, to}, scanCheck)
}

// UnitsNamed implements survey.Store: units with that tag, or that serial, whatever the case, as far as the actor sees.
func (tx *Tx) UnitsNamed(name string) ([]fleet.Unit, error) {
	cond, args := tx.scope("client_id")
	return list(tx, `SELECT id, tag, serial FROM unit WHERE (folded = ? OR lower(serial) = lower(?)) AND `+cond+` ORDER BY folded`,
		append([]any{fleet.FoldTag(name), strings.TrimSpace(name)}, args...), func(scan scanner, u *fleet.Unit) error {
			return scan((*key)(&u.ID), &u.Tag, &u.Serial)
		})
}
