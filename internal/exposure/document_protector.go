package exposure

type protectorForm struct {
	Method          string          `json:"method"`
	Exposure        *protectorNoise `json:"exposure"`
	Device          *protectorEntry `json:"device"`
	SecondDevice    *protectorEntry `json:"second_device"`
	DeratingPercent float64         `json:"derating_percent"`
	DeratingOf      *DeratingOf     `json:"derating_of"`
	DeductionDB     float64         `json:"deduction_db"`
	WornFraction    *float64        `json:"worn_fraction"`
	ActionLevelDB   *float64        `json:"action_level_db"`
	Performance     *float64        `json:"performance_percent"`
}

type protectorNoise struct {
	LAeqDB    *float64  `json:"laeq_db"`
	LCeqDB    *float64  `json:"lceq_db"`
	OctavesDB []float64 `json:"octaves_db"`
}

type protectorEntry struct {
	SNR          *float64  `json:"snr"`
	HML          *hmlEntry `json:"hml"`
	OctaveMeanDB []float64 `json:"octave_mean_db"`
	OctaveSDDB   []float64 `json:"octave_sd_db"`
	NRR          *float64  `json:"nrr"`
	PersonalDB   *float64  `json:"personal_attenuation_db"`
}

type hmlEntry struct {
	H *float64 `json:"h"`
	M *float64 `json:"m"`
	L *float64 `json:"l"`
}

func runProtector(doc []byte, _ Options) (any, error) {
	form, err := decode[protectorForm](doc)
	if err != nil {
		return nil, err
	}
	u, err := form.use()
	if err != nil {
		return nil, err
	}
	if where, what := u.settled().trouble(); what != "" {
		return nil, docFault("/"+where, what)
	}
	r, err := ComputeProtector(u)
	if err != nil {
		return nil, placed("/device", err)
	}
	return r, nil
}

func (f protectorForm) use() (ProtectorUse, error) {
	u := ProtectorUse{DeratingPercent: f.DeratingPercent, DeductionDB: f.DeductionDB, WornFraction: f.WornFraction}
	switch {
	case f.Exposure == nil:
		return u, docFault("/exposure", "the key is missing; give the levels of the noise")
	case f.Exposure.LAeqDB == nil:
		return u, docFault("/exposure/laeq_db", "the key is missing; give the A-weighted equivalent level of the noise")
	case f.Device == nil:
		return u, docFault("/device", "the key is missing; give the data of the protector")
	}
	u.LAeqDB, u.LCeqDB, u.OctavesDB = *f.Exposure.LAeqDB, f.Exposure.LCeqDB, f.Exposure.OctavesDB
	if f.DeratingOf != nil {
		if u.DeratingOf = *f.DeratingOf; u.DeratingOf == "" {
			return u, docFault("/derating_of", "the derating is of the attenuation or of the rating")
		}
	}
	for _, s := range []struct {
		name  string
		given *float64
		into  *float64
	}{{"action_level_db", f.ActionLevelDB, &u.ActionLevelDB}, {"performance_percent", f.Performance, &u.Performance}} {
		if s.given == nil {
			continue
		}
		if *s.into = *s.given; *s.given == 0 {
			return u, docFault("/"+s.name, "is 0; leave the key out for the default")
		}
	}
	var err error
	if u.Device, err = f.Device.protector("/device"); err != nil || f.SecondDevice == nil {
		return u, err
	}
	second, err := f.SecondDevice.protector("/second_device")
	u.Second = &second
	return u, err
}

func (e protectorEntry) protector(at string) (Protector, error) {
	d := Protector{SNR: e.SNR, OctaveMeanDB: e.OctaveMeanDB, OctaveSDDB: e.OctaveSDDB, NRR: e.NRR, PersonalDB: e.PersonalDB}
	if e.HML == nil {
		return d, nil
	}
	if e.HML.H == nil || e.HML.M == nil || e.HML.L == nil {
		return d, docFault(at+"/hml", "the high, middle and low values h, m and l are given together")
	}
	d.HML = &HML{*e.HML.H, *e.HML.M, *e.HML.L}
	return d, nil
}
