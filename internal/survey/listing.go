package survey

import (
	"context"

	"kitd/internal/access"
)

// Checked is a field check with the wear and the survey it belongs to.
type Checked struct {
	Survey string // "S-12"
	Wear   Wear
	Check  Check
}

// Checks gives every field check that the actor sees: the newest survey first, in it the wears and their checks in time.
func (o *Office) Checks(ctx context.Context, who access.Actor) ([]Checked, error) {
	return seen(ctx, o, who, func(s Store) (all []Checked, err error) {
		for q := (SurveyQuery{Limit: 200}); ; {
			surveys, err := s.SurveysWhere(q)
			if err != nil || len(surveys) == 0 {
				return all, err
			}
			for _, v := range surveys {
				if all, err = checksOf(s, v, all); err != nil {
					return nil, err
				}
			}
			q.Before = surveys[len(surveys)-1].Number
		}
	})
}

func checksOf(s Store, v Survey, all []Checked) ([]Checked, error) {
	wears, err := s.WearsOf(v.ID)
	if err != nil {
		return nil, err
	}
	for _, w := range wears {
		checks, err := s.ChecksOf(w.ID)
		if err != nil {
			return nil, err
		}
		for _, c := range checks {
			all = append(all, Checked{v.Label(), w, c})
		}
	}
	return all, nil
}
