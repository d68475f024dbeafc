package store

import (
	"encoding/json"

	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/internal/survey"
)

const returnColumns = `id, number, client_id, sender_id, name, file_hash, size, received, by_name, state, wear_id, unit_name, serial, history,
	clock_offset_ms, clock_reason, version`

func scanReturn(scan scanner, r *survey.Return) error {
	var received instant
	var history string
	err := scan((*key)(&r.ID), &r.Number, (*key)(&r.Client), (*key)(&r.Sender), &r.Name, &r.File, &r.Size, &received, &r.By, &r.State,
		(*key)(&r.Wear), &r.UnitName, &r.Serial, &history, &r.Clock.OffsetMS, &r.Clock.Reason, &r.Version)
	if err != nil {
		return err
	}
	r.Received = received.time()
	return readJSON(history, &r.History)
}

// returnScope limits returns to those of clients in sight. One that is linked to nothing yet belongs to nobody, so only who
// sent it in, and accounts that see every client, see it.
func (tx *Tx) returnScope() (string, []any) {
	if tx.who.Scope.All {
		return "1=1", nil
	}
	cond, args := "client_id IS NULL AND sender_id = ?", []any{tx.who.Account}
	if n := len(tx.who.Scope.Clients); n > 0 {
		cond += " OR client_id IN (" + marks(n) + ")"
		for _, c := range tx.who.Scope.Clients {
			args = append(args, c)
		}
	}
	return "(" + cond + ")", args
}

// LockReturns implements survey.Store: two uploads of one file follow one another.
func (tx *Tx) LockReturns(file string) error { return tx.lock("return " + file) }

// InsertReturn implements survey.Store.
func (tx *Tx) InsertReturn(r survey.Return) error {
	history, err := jsonText(r.History)
	if err != nil {
		return err
	}
	_, err = tx.exec(`INSERT INTO survey_return (`+returnColumns+`) VALUES (`+marks(17)+`)`, r.ID, r.Number, r.Client, r.Sender, r.Name, r.File,
		r.Size, r.Received, r.By, r.State, r.Wear, r.UnitName, r.Serial, history, r.Clock.OffsetMS, r.Clock.Reason, r.Version)
	return tx.wearTaken(err)
}

// UpdateReturn implements survey.Store.
func (tx *Tx) UpdateReturn(r survey.Return) error {
	history, err := jsonText(r.History)
	if err != nil {
		return err
	}
	cond, args := tx.returnScope()
	err = tx.execOne("return", `UPDATE survey_return SET client_id = ?, state = ?, wear_id = ?, history = ?, clock_offset_ms = ?, clock_reason = ?, version = ?
		WHERE id = ? AND version = ? AND `+cond,
		append([]any{r.Client, r.State, r.Wear, history, r.Clock.OffsetMS, r.Clock.Reason, r.Version, r.ID, r.Version - 1}, args...)...)
	return tx.wearTaken(err)
}

// wearTaken names the race that the index of one return a wear decides.
func (tx *Tx) wearTaken(err error) error {
	if err != nil && violates(err, "survey_return", "wear_id") {
		return fault.New(fault.WearTaken, "return", "another return").Because(err)
	}
	return err
}

func (tx *Tx) returns(where, order string, args ...any) ([]survey.Return, error) {
	cond, more := tx.returnScope()
	rows, err := list(tx, `SELECT `+returnColumns+` FROM survey_return WHERE `+where+` AND `+cond+order, append(args, more...), scanReturn)
	if err != nil {
		return nil, err
	}
	for i := range rows {
		if rows[i].Reviews, err = tx.reviews(rows[i].ID); err != nil {
			return nil, err
		}
	}
	return rows, nil
}

// ReturnByID implements survey.Store.
func (tx *Tx) ReturnByID(id ident.ID) (survey.Return, error) {
	rows, err := tx.returns(`id = ?`, ``, id)
	return one(rows, err, "return")
}

// ReturnsOfFile implements survey.Store.
func (tx *Tx) ReturnsOfFile(hash string) ([]survey.Return, error) {
	return tx.returns(`file_hash = ?`, ` ORDER BY number`, hash)
}

// ReturnsWhere implements survey.Store.
func (tx *Tx) ReturnsWhere(q survey.ReturnQuery) ([]survey.Return, error) {
	where, args := "1=1", []any{}
	if q.State != "" {
		where, args = where+` AND state = ?`, append(args, q.State)
	}
	if !q.Survey.IsZero() {
		where, args = where+` AND wear_id IN (SELECT id FROM wear WHERE survey_id = ?)`, append(args, q.Survey)
	}
	if q.Before > 0 {
		where, args = where+` AND number < ?`, append(args, q.Before)
	}
	cond, more := tx.returnScope()
	return list(tx, `SELECT `+returnColumns+` FROM survey_return WHERE `+where+` AND `+cond+` ORDER BY number DESC LIMIT ?`,
		append(append(args, more...), page(q.Limit)), scanReturn)
}

// ReturnOfWear implements survey.Store: the one return of the wear that counts.
func (tx *Tx) ReturnOfWear(wear ident.ID) (survey.Return, bool, error) {
	rows, err := tx.returns(`wear_id = ? AND state IN ('linked', 'accepted')`, ``, wear)
	if err != nil || len(rows) == 0 {
		return survey.Return{}, false, err
	}
	return rows[0], true, nil
}

// InsertReview implements survey.Store.
func (tx *Tx) InsertReview(r survey.Return, v survey.Review) error {
	exclusions, err := jsonText(v.Exclusions)
	if err != nil {
		return err
	}
	_, err = tx.exec(`INSERT INTO return_review (id, return_id, client_id, wear_id, verdict, at, by_name, reason, exclusions, fact_id)
		VALUES (`+marks(10)+`)`, v.ID, r.ID, r.Client, v.Wear, v.Verdict, v.At, v.By, v.Reason, exclusions, v.Fact)
	return err
}

// reviews reads the reviews of a return that was found in scope.
func (tx *Tx) reviews(id ident.ID) ([]survey.Review, error) {
	return list(tx, `SELECT id, return_id, wear_id, verdict, at, by_name, reason, exclusions, fact_id FROM return_review WHERE return_id = ?
		ORDER BY at, id`, []any{id}, func(scan scanner, v *survey.Review) error {
		var at instant
		var exclusions string
		if err := scan((*key)(&v.ID), (*key)(&v.Return), (*key)(&v.Wear), &v.Verdict, &at, &v.By, &v.Reason, &exclusions, (*key)(&v.Fact)); err != nil {
			return err
		}
		v.At = at.time()
		return readJSON(exclusions, &v.Exclusions)
	})
}

// LockDay implements survey.Store: computations of one worker-day follow one another.
func (tx *Tx) LockDay(d ident.ID) error { return tx.lock("worker-day " + d.String()) }

// InsertResult implements survey.Store.
func (tx *Tx) InsertResult(r survey.Result, document []byte) error {
	_, err := tx.exec(`INSERT INTO result (id, number, client_id, survey_id, day_id, wear_id, return_id, replaces_id, computed, by_name,
		content_hash, hash, document) VALUES (`+marks(13)+`)`, r.ID, r.Number, r.Client, r.Survey, r.Day, r.Wear, r.Return, r.Replaces, r.Computed, r.By,
		r.ContentHash, r.Hash, string(document))
	if violates(err, "result", "replaces_id") || violates(err, "result", "day_id") || fault.Is(err, fault.Frozen) {
		return fault.New(fault.Changed, "noun", "worker-day").Because(err)
	}
	for i, e := range r.Content.Evidence {
		if err != nil {
			return err
		}
		_, err = tx.exec(`INSERT INTO result_evidence (result_id, n, client_id, noun, ref_id, part_id, hash) VALUES (`+marks(7)+`)`,
			r.ID, i, r.Client, e.Noun, e.ID, e.Part, e.Hash)
	}
	return err
}

func scanResult(scan scanner, r *survey.Result) error {
	var document, hash string
	if err := scan(&document, &hash); err != nil {
		return err
	}
	r.Hash = hash
	return json.Unmarshal([]byte(document), r)
}

func (tx *Tx) results(where, order string, args ...any) ([]survey.Result, error) {
	cond, more := tx.scope("client_id")
	return list(tx, `SELECT document, hash FROM result WHERE `+where+` AND `+cond+order, append(args, more...), scanResult)
}

// ResultByID implements survey.Store.
func (tx *Tx) ResultByID(id ident.ID) (survey.Result, error) {
	rows, err := tx.results(`id = ?`, ``, id)
	return one(rows, err, "result")
}

// notReplaced selects the results that stand.
const notReplaced = `NOT EXISTS (SELECT 1 FROM result newer WHERE newer.replaces_id = result.id)`

// ResultsWhere implements survey.Store.
func (tx *Tx) ResultsWhere(q survey.ResultQuery) ([]survey.Result, error) {
	cond, args := tx.scope("client_id")
	if !q.Survey.IsZero() {
		cond, args = cond+` AND survey_id = ?`, append(args, q.Survey)
	}
	if q.Before > 0 {
		cond, args = cond+` AND number < ?`, append(args, q.Before)
	}
	if q.Current {
		cond += ` AND ` + notReplaced
	}
	return list(tx, `SELECT document, hash FROM result WHERE `+cond+` ORDER BY number DESC LIMIT ?`, append(args, page(q.Limit)), scanResult)
}

// CurrentResult implements survey.Store.
func (tx *Tx) CurrentResult(d ident.ID) (survey.Result, bool, error) {
	rows, err := tx.results(`day_id = ? AND `+notReplaced, ``, d)
	if err != nil || len(rows) == 0 {
		return survey.Result{}, false, err
	}
	return rows[0], true, nil
}

// ReplacedBy implements survey.Store: the result that names this one as replaced; zero when it stands.
func (tx *Tx) ReplacedBy(result ident.ID) (id ident.ID, number int, err error) {
	cond, args := tx.scope("client_id")
	_, err = tx.row(`SELECT id, number FROM result WHERE replaces_id = ? AND `+cond, append([]any{result}, args...), (*key)(&id), &number)
	return id, number, err
}

// ResultsTouched implements survey.Store.
func (tx *Tx) ResultsTouched(evidence ident.ID) ([]ident.ID, error) {
	cond, args := tx.scope("client_id")
	return list(tx, `SELECT DISTINCT result_id FROM result_evidence WHERE (ref_id = ? OR part_id = ?) AND `+cond+` ORDER BY result_id`,
		append([]any{evidence, evidence}, args...), func(scan scanner, id *ident.ID) error { return scan((*key)(id)) })
}

// checkResults computes the hashes of every result anew and compares the columns with the document they repeat.
func (tx *Tx) checkResults() (found []string, err error) {
	err = tx.each(`SELECT id, number, hash, content_hash, document FROM result ORDER BY number`, nil, func(scan scanner) error {
		var id key
		var number int
		var hash, content, document string
		if err := scan(&id, &number, &hash, &content, &document); err != nil {
			return err
		}
		var r survey.Result
		if err := json.Unmarshal([]byte(document), &r); err != nil {
			found = append(found, survey.ResultLabel(number)+" cannot be read any more: "+err.Error())
			return nil
		}
		r.Hash = hash
		switch {
		case survey.Verify(r) != nil:
			found = append(found, survey.ResultLabel(number)+" does not match its hash any more")
		case r.ID != ident.ID(id) || r.Number != number || r.ContentHash != content:
			found = append(found, survey.ResultLabel(number)+" is filed under values that its document does not have")
		}
		return nil
	})
	return found, err
}
