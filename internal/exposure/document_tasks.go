package exposure

import "fmt"

type taskForm struct {
	Method         string        `json:"method"`
	ReferenceHours *float64      `json:"reference_hours"`
	Instrument     *Instrument   `json:"instrument"`
	Tasks          []taskEntry   `json:"tasks"`
	Further        *furtherEntry `json:"further"`
}

type furtherEntry struct {
	DriftDB       *float64 `json:"drift_db"`
	CertificateDB *float64 `json:"certificate_expanded_uncertainty_db"`
}

// terms reads the further terms of a budget; without the key there are none.
func (e *furtherEntry) terms() (FurtherTerms, error) {
	if e == nil {
		return FurtherTerms{}, nil
	}
	f := FurtherTerms{e.DriftDB, e.CertificateDB}
	if where, what := f.trouble(); what != "" {
		return f, docFault("/"+where, what)
	}
	return f, nil
}

type taskEntry struct {
	Name          *string   `json:"name"`
	Hours         *float64  `json:"hours"`
	HoursRange    []float64 `json:"hours_range"`
	HoursSamples  []float64 `json:"hours_samples"`
	LevelsDB      []float64 `json:"levels_db"`
	SampleMinutes []float64 `json:"sample_minutes"`
}

func runTasks(doc []byte, _ Options) (any, error) {
	form, err := decode[taskForm](doc)
	if err != nil {
		return nil, err
	}
	var day TaskDay
	if day.Instrument, err = instrument(form.Instrument); err != nil {
		return nil, err
	}
	if day.Further, err = form.Further.terms(); err != nil {
		return nil, err
	}
	if form.ReferenceHours != nil {
		if day.ReferenceHours = *form.ReferenceHours; !(day.ReferenceHours > 0 && day.ReferenceHours <= 24) {
			return nil, docFault("/reference_hours", fmt.Sprintf("the reference duration is above 0 h and at most 24 h, not %v h", day.ReferenceHours))
		}
	}
	if len(form.Tasks) == 0 {
		return nil, docFault("/tasks", "at least one task is needed")
	}
	for i, entry := range form.Tasks {
		task, err := entry.task(fmt.Sprintf("/tasks/%d", i))
		if err != nil {
			return nil, err
		}
		day.Tasks = append(day.Tasks, task)
	}
	r, err := ComputeTasks(day)
	if err != nil {
		return nil, placed("/tasks", err)
	}
	return r, nil
}

func (e taskEntry) task(at string) (Task, error) {
	t := Task{LevelsDB: e.LevelsDB, HoursRange: e.HoursRange, HoursSamples: e.HoursSamples, SampleMinutes: e.SampleMinutes}
	switch {
	case e.Name == nil || *e.Name == "":
		return t, docFault(at+"/name", "a task needs a name")
	case e.HoursSamples != nil && len(e.HoursSamples) == 0:
		return t, docFault(at+"/hours_samples", "at least one observed duration is needed")
	case e.HoursSamples == nil && e.Hours == nil:
		return t, docFault(at+"/hours", "a task needs hours, or hours_samples")
	}
	t.Name = *e.Name
	if e.Hours != nil {
		t.Hours = *e.Hours
	}
	if where, what := t.trouble(); what != "" {
		return t, docFault(at+"/"+where, what)
	}
	return t, nil
}
