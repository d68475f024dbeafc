package store

import (
	"encoding/json"

	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/internal/survey"
)

var _ survey.Store = (*Tx)(nil)

// jsonText writes a list or a struct for a column of JSON.
func jsonText(v any) (string, error) {
	b, err := json.Marshal(v)
	return string(b), err
}

// readJSON reads columns of JSON into their fields: pairs of text and pointer.
func readJSON(pairs ...any) error {
	for i := 0; i+1 < len(pairs); i += 2 {
		if err := json.Unmarshal([]byte(pairs[i].(string)), pairs[i+1]); err != nil {
			return err
		}
	}
	return nil
}

// one gives the only row, or the fault that there is no such noun here.
func one[T any](rows []T, err error, noun string) (T, error) {
	var zero T
	if err != nil {
		return zero, err
	}
	if len(rows) == 0 {
		return zero, fault.New(fault.NotThere, "noun", noun)
	}
	return rows[0], nil
}

// used turns a broken unique index into the fault that the value is taken.
func used(err error, table, column, noun, value string) error {
	if err != nil && violates(err, table, column) {
		return fault.New(fault.AlreadyUsed, "noun", noun, "value", value).Because(err)
	}
	return err
}

// NextSurveyNumber counts the short numbers of surveys, returns and results.
func (tx *Tx) NextSurveyNumber(counter string) (int, error) {
	n, err := tx.next("survey " + counter)
	return int(n), err
}

// page limits a list that is read newest first.
func page(limit int) int {
	if limit <= 0 || limit > 1000 {
		return survey.DefaultPage
	}
	return limit
}

const clientColumns = `id, code, name, note, entered, by_name, version`

func scanClient(scan scanner, c *survey.Client) error {
	var entered instant
	err := scan((*key)(&c.ID), &c.Code, &c.Name, &c.Note, &entered, &c.By, &c.Version)
	c.Entered = entered.time()
	return err
}

// InsertClient implements survey.Store.
func (tx *Tx) InsertClient(c survey.Client) error {
	_, err := tx.exec(`INSERT INTO client (`+clientColumns+`) VALUES (`+marks(7)+`)`, c.ID, c.Code, c.Name, c.Note, c.Entered, c.By, c.Version)
	return used(err, "client", "code", "client code", c.Code)
}

// UpdateClient implements survey.Store.
func (tx *Tx) UpdateClient(c survey.Client) error {
	cond, args := tx.scope("id")
	err := tx.execOne("client", `UPDATE client SET code = ?, name = ?, note = ?, version = ? WHERE id = ? AND version = ? AND `+cond,
		append([]any{c.Code, c.Name, c.Note, c.Version, c.ID, c.Version - 1}, args...)...)
	return used(err, "client", "code", "client code", c.Code)
}

// ClientByID implements survey.Store.
func (tx *Tx) ClientByID(id ident.ID) (survey.Client, error) {
	cond, args := tx.scope("id")
	rows, err := list(tx, `SELECT `+clientColumns+` FROM client WHERE id = ? AND `+cond, append([]any{id}, args...), scanClient)
	return one(rows, err, "client")
}

// ClientsSeen implements survey.Store.
func (tx *Tx) ClientsSeen() ([]survey.Client, error) {
	cond, args := tx.scope("id")
	return list(tx, `SELECT `+clientColumns+` FROM client WHERE `+cond+` ORDER BY lower(code)`, args, scanClient)
}

const siteColumns = `id, client_id, name, zone, note, entered, by_name, version`

func scanSite(scan scanner, s *survey.Site) error {
	var entered instant
	err := scan((*key)(&s.ID), (*key)(&s.Client), &s.Name, &s.Zone, &s.Note, &entered, &s.By, &s.Version)
	s.Entered = entered.time()
	return err
}

// InsertSite implements survey.Store.
func (tx *Tx) InsertSite(s survey.Site) error {
	_, err := tx.exec(`INSERT INTO site (`+siteColumns+`) VALUES (`+marks(8)+`)`, s.ID, s.Client, s.Name, s.Zone, s.Note, s.Entered, s.By, s.Version)
	return used(err, "site", "name", "site name", s.Name)
}

// UpdateSite implements survey.Store.
func (tx *Tx) UpdateSite(s survey.Site) error {
	cond, args := tx.scope("client_id")
	err := tx.execOne("site", `UPDATE site SET name = ?, zone = ?, note = ?, version = ? WHERE id = ? AND version = ? AND `+cond,
		append([]any{s.Name, s.Zone, s.Note, s.Version, s.ID, s.Version - 1}, args...)...)
	return used(err, "site", "name", "site name", s.Name)
}

// SiteByID implements survey.Store.
func (tx *Tx) SiteByID(id ident.ID) (survey.Site, error) {
	cond, args := tx.scope("client_id")
	rows, err := list(tx, `SELECT `+siteColumns+` FROM site WHERE id = ? AND `+cond, append([]any{id}, args...), scanSite)
	return one(rows, err, "site")
}

// SitesOf implements survey.Store.
func (tx *Tx) SitesOf(client ident.ID) ([]survey.Site, error) {
	cond, args := tx.scope("client_id")
	return list(tx, `SELECT `+siteColumns+` FROM site WHERE client_id = ? AND `+cond+` ORDER BY lower(name)`, append([]any{client}, args...), scanSite)
}

const surveyColumns = `id, number, client_id, site_id, title, zone, days, groups, profiles, needs, note, entered, by_name, version`

func scanSurvey(scan scanner, v *survey.Survey) error {
	var entered instant
	var days, groups, profiles, needs string
	err := scan((*key)(&v.ID), &v.Number, (*key)(&v.Client), (*key)(&v.Site), &v.Title, &v.Zone, &days, &groups, &profiles, &needs,
		&v.Note, &entered, &v.By, &v.Version)
	if err != nil {
		return err
	}
	v.Entered = entered.time()
	return readJSON(days, &v.Days, groups, &v.Groups, profiles, &v.Profiles, needs, &v.Needs)
}

// lists gives the JSON columns of a survey in the order of surveyColumns.
func lists(v survey.Survey) (days, groups, profiles, needs string, err error) {
	if days, err = jsonText(v.Days); err != nil {
		return
	}
	if groups, err = jsonText(v.Groups); err != nil {
		return
	}
	if profiles, err = jsonText(v.Profiles); err != nil {
		return
	}
	needs, err = jsonText(v.Needs)
	return
}

// InsertSurvey implements survey.Store.
func (tx *Tx) InsertSurvey(v survey.Survey) error {
	days, groups, profiles, needs, err := lists(v)
	if err != nil {
		return err
	}
	_, err = tx.exec(`INSERT INTO survey (`+surveyColumns+`) VALUES (`+marks(14)+`)`, v.ID, v.Number, v.Client, v.Site, v.Title, v.Zone,
		days, groups, profiles, needs, v.Note, v.Entered, v.By, v.Version)
	return err
}

// UpdateSurvey implements survey.Store.
func (tx *Tx) UpdateSurvey(v survey.Survey) error {
	days, groups, profiles, needs, err := lists(v)
	if err != nil {
		return err
	}
	cond, args := tx.scope("client_id")
	return tx.execOne("survey", `UPDATE survey SET title = ?, days = ?, groups = ?, profiles = ?, needs = ?, note = ?, version = ?
		WHERE id = ? AND version = ? AND `+cond, append([]any{v.Title, days, groups, profiles, needs, v.Note, v.Version, v.ID, v.Version - 1}, args...)...)
}

// SurveyByID implements survey.Store.
func (tx *Tx) SurveyByID(id ident.ID) (survey.Survey, error) {
	cond, args := tx.scope("client_id")
	rows, err := list(tx, `SELECT `+surveyColumns+` FROM survey WHERE id = ? AND `+cond, append([]any{id}, args...), scanSurvey)
	return one(rows, err, "survey")
}

// SurveysWhere implements survey.Store.
func (tx *Tx) SurveysWhere(q survey.SurveyQuery) ([]survey.Survey, error) {
	cond, args := tx.scope("client_id")
	if !q.Client.IsZero() {
		cond, args = cond+` AND client_id = ?`, append(args, q.Client)
	}
	if q.Before > 0 {
		cond, args = cond+` AND number < ?`, append(args, q.Before)
	}
	return list(tx, `SELECT `+surveyColumns+` FROM survey WHERE `+cond+` ORDER BY number DESC LIMIT ?`, append(args, page(q.Limit)), scanSurvey)
}

const workerColumns = `id, client_id, pseudonym, entered, by_name`

func scanWorker(scan scanner, w *survey.Worker) error {
	var entered instant
	err := scan((*key)(&w.ID), (*key)(&w.Client), &w.Pseudonym, &entered, &w.By)
	w.Entered = entered.time()
	return err
}

// InsertWorker implements survey.Store.
func (tx *Tx) InsertWorker(w survey.Worker) error {
	_, err := tx.exec(`INSERT INTO worker (`+workerColumns+`) VALUES (`+marks(5)+`)`, w.ID, w.Client, w.Pseudonym, w.Entered, w.By)
	return used(err, "worker", "pseudonym", "pseudonym", w.Pseudonym)
}

// WorkerByID implements survey.Store.
func (tx *Tx) WorkerByID(id ident.ID) (survey.Worker, error) {
	cond, args := tx.scope("client_id")
	rows, err := list(tx, `SELECT `+workerColumns+` FROM worker WHERE id = ? AND `+cond, append([]any{id}, args...), scanWorker)
	return one(rows, err, "worker")
}

// WorkersOf implements survey.Store.
func (tx *Tx) WorkersOf(client ident.ID) ([]survey.Worker, error) {
	cond, args := tx.scope("client_id")
	return list(tx, `SELECT `+workerColumns+` FROM worker WHERE client_id = ? AND `+cond+` ORDER BY lower(pseudonym)`, append([]any{client}, args...), scanWorker)
}

// SetWorkerName implements survey.Store.
func (tx *Tx) SetWorkerName(worker ident.ID, name, by string) error {
	if _, err := tx.WorkerByID(worker); err != nil {
		return err
	}
	_, err := tx.exec(`INSERT INTO worker_names (worker_id, name, entered, by_name) VALUES (?, ?, ?, ?)
		ON CONFLICT (worker_id) DO UPDATE SET name = excluded.name, entered = excluded.entered, by_name = excluded.by_name`,
		worker, name, tx.now(), by)
	return err
}

// WorkerName implements survey.Store.
func (tx *Tx) WorkerName(worker ident.ID) (name string, found bool, err error) {
	cond, args := tx.scope("worker.client_id")
	found, err = tx.row(`SELECT worker_names.name FROM worker_names JOIN worker ON worker.id = worker_names.worker_id
		WHERE worker_id = ? AND `+cond, append([]any{worker}, args...), &name)
	return name, found, err
}

// EraseWorkerName implements survey.Store.
func (tx *Tx) EraseWorkerName(worker ident.ID) (bool, error) {
	if _, err := tx.WorkerByID(worker); err != nil {
		return false, err
	}
	n, err := tx.exec(`DELETE FROM worker_names WHERE worker_id = ?`, worker)
	return n > 0, err
}
