package exposure

type groupForm struct {
	Method    string    `json:"method"`
	ValuesDB  []float64 `json:"values_db"`
	LimitDB   *float64  `json:"limit_db"`
	CompareDB []float64 `json:"compare_db"`
}

func runGroup(doc []byte, _ Options) (any, error) {
	form, err := decode[groupForm](doc)
	if err != nil {
		return nil, err
	}
	if form.LimitDB == nil {
		return nil, docFault("/limit_db", "the key is missing; give the level the group is set against")
	}
	g := Group{form.ValuesDB, *form.LimitDB, form.CompareDB}
	if where, what := g.trouble(); what != "" {
		return nil, docFault("/"+where, what)
	}
	r, err := ComputeGroup(g)
	if err != nil {
		return nil, placed("/values_db", err)
	}
	return r, nil
}

type hearingForm struct {
	Method           string   `json:"method"`
	LEX8hDB          *float64 `json:"lex_8h_db"`
	Years            *float64 `json:"years"`
	FrequencyHz      *float64 `json:"frequency_hz"`
	FractionWorseOff *float64 `json:"fraction_worse_off"`
	AgeDB            *float64 `json:"age_db"`
}

func runHearing(doc []byte, _ Options) (any, error) {
	form, err := decode[hearingForm](doc)
	if err != nil {
		return nil, err
	}
	for _, key := range []struct {
		name, what string
		given      *float64
	}{
		{"lex_8h_db", "give the daily exposure level", form.LEX8hDB}, {"years", "give the years of exposure", form.Years},
		{"frequency_hz", "give 500, 1000, 2000, 3000, 4000 or 6000", form.FrequencyHz},
		{"fraction_worse_off", "give the share of people with an equal or larger shift, 0.5 for the median", form.FractionWorseOff},
	} {
		if key.given == nil {
			return nil, docFault("/"+key.name, "the key is missing; "+key.what)
		}
	}
	h := HearingRisk{*form.LEX8hDB, *form.Years, *form.FrequencyHz, *form.FractionWorseOff, form.AgeDB}
	if where, what := h.trouble(); what != "" {
		return nil, docFault("/"+where, what)
	}
	r, err := ComputeHearingRisk(h)
	if err != nil {
		return nil, placed("/lex_8h_db", err)
	}
	return r, nil
}

type sizingForm struct {
	Method      string   `json:"method"`
	GroupSize   *int     `json:"group_size"`
	TopFraction *float64 `json:"top_fraction"`
	Confidence  *float64 `json:"confidence"`
	Dosimeters  *int     `json:"dosimeters"`
}

func runSizing(doc []byte, _ Options) (any, error) {
	form, err := decode[sizingForm](doc)
	if err != nil {
		return nil, err
	}
	if form.GroupSize == nil {
		return nil, docFault("/group_size", "the key is missing; give the number of workers in the group")
	}
	s := Sizing{GroupSize: *form.GroupSize, TopFraction: defaultTop, Confidence: defaultSurety}
	if form.TopFraction != nil {
		s.TopFraction = *form.TopFraction
	}
	if form.Confidence != nil {
		s.Confidence = *form.Confidence
	}
	if form.Dosimeters != nil {
		if s.Dosimeters = *form.Dosimeters; s.Dosimeters == 0 {
			return nil, docFault("/dosimeters", "the number of dosimeters is 1 or more; leave the key out when it is not known")
		}
	}
	if where, what := s.trouble(); what != "" {
		return nil, docFault("/"+where, what)
	}
	r, err := ComputeSizing(s)
	if err != nil {
		return nil, placed("/group_size", err)
	}
	return r, nil
}
