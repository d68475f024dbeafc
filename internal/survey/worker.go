package survey

import (
	"context"
	"strings"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/internal/trail"
)

// AddWorker enters a person of a client under a pseudonym.
func (o *Office) AddWorker(ctx context.Context, who access.Actor, w Worker) (Worker, error) {
	if err := mayRecord(who, "adding a worker needs a surveyor"); err != nil {
		return Worker{}, err
	}
	w.Pseudonym = strings.TrimSpace(w.Pseudonym)
	if err := nonEmpty("worker", "pseudonym", w.Pseudonym); err != nil {
		return Worker{}, err
	}
	w.ID, w.Entered, w.By = o.NewID(), o.now(), who.Name
	return w, o.Do(ctx, who, func(s Store) error {
		if _, err := s.ClientByID(w.Client); err != nil {
			return err
		}
		if err := s.InsertWorker(w); err != nil {
			return err
		}
		return s.Record(trail.Change{Noun: "worker", ID: w.ID, Verb: "add", Client: w.Client, After: map[string]any{"pseudonym": w.Pseudonym}})
	})
}

// NameWorker keeps the name behind a pseudonym, in the one table that holds names. The audit trail learns that a name was
// entered, never which.
func (o *Office) NameWorker(ctx context.Context, who access.Actor, worker ident.ID, name string) error {
	if err := mayRecord(who, "naming a worker needs a surveyor"); err != nil {
		return err
	}
	name = strings.TrimSpace(name)
	if err := nonEmpty("worker", "name", name); err != nil {
		return err
	}
	return o.Do(ctx, who, func(s Store) error {
		w, err := s.WorkerByID(worker)
		if err != nil {
			return err
		}
		if err := s.SetWorkerName(worker, name, who.Name); err != nil {
			return err
		}
		return s.Record(trail.Change{Noun: "worker", ID: worker, Verb: "name", Client: w.Client})
	})
}

// NameOf gives the name behind a pseudonym, empty when none is kept. Viewers do not learn names. Each look is recorded.
func (o *Office) NameOf(ctx context.Context, who access.Actor, worker ident.ID) (string, error) {
	if err := mayRecord(who, "the names of workers are shown to surveyors and coordinators only"); err != nil {
		return "", err
	}
	var name string
	err := o.Do(ctx, who, func(s Store) error {
		w, err := s.WorkerByID(worker)
		if err != nil {
			return err
		}
		if name, _, err = s.WorkerName(worker); err != nil {
			return err
		}
		return s.Record(trail.Change{Noun: "worker", ID: worker, Verb: "look up name", Client: w.Client})
	})
	return name, err
}

// EraseName removes the name behind a pseudonym. Days, wears and results stay as they are: they never held it.
func (o *Office) EraseName(ctx context.Context, who access.Actor, worker ident.ID) error {
	if !who.Keeps() {
		return fault.New(fault.NotAllowed, "what", "erasing a name needs a coordinator")
	}
	return o.Do(ctx, who, func(s Store) error {
		w, err := s.WorkerByID(worker)
		if err != nil {
			return err
		}
		found, err := s.EraseWorkerName(worker)
		if err != nil || !found {
			return err
		}
		return s.Record(trail.Change{Noun: "worker", ID: worker, Verb: "erase name", Client: w.Client})
	})
}
