package exposure

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

func instrument(given *Instrument) (Instrument, error) {
	if given == nil {
		return Personal, nil
	}
	if _, ok := given.Uncertainty(); !ok {
		return "", docFault("/instrument", fmt.Sprintf("the instrument is personal, class1 or class2, not %q", *given))
	}
	return *given, nil
}

type criteriaForm struct {
	Method     string         `json:"method"`
	Segments   []segmentEntry `json:"segments"`
	Profiles   []string       `json:"profiles"`
	Instrument *Instrument    `json:"instrument"`
	AtEar      *atEarEntry    `json:"at_ear"`
}

// atEarEntry holds levels under the protectors, where they are known.
type atEarEntry struct {
	LEX8hDB *float64 `json:"lex_8h_db"`
	PeakDB  *float64 `json:"peak_db"`
}

func (e *atEarEntry) levels() (*AtEarLevels, error) {
	if e == nil {
		return nil, nil
	}
	for _, x := range []struct {
		name  string
		value *float64
	}{{"lex_8h_db", e.LEX8hDB}, {"peak_db", e.PeakDB}} {
		if x.value == nil {
			continue
		}
		if text := levelTrouble(*x.value); text != "" {
			return nil, docFault("/at_ear/"+x.name, text)
		}
	}
	return &AtEarLevels{e.LEX8hDB, e.PeakDB}, nil
}

type segmentEntry struct {
	LevelDB *float64 `json:"level_db"`
	Hours   *float64 `json:"hours"`
}

func runCriteria(doc []byte, o Options) (any, error) {
	form, err := decode[criteriaForm](doc)
	if err != nil {
		return nil, err
	}
	if len(form.Segments) == 0 {
		return nil, docFault("/segments", "at least one segment is needed")
	}
	if len(form.Profiles) == 0 {
		return nil, docFault("/profiles", "at least one profile is needed, of "+profileList(o))
	}
	var c Context
	if c.Instrument, err = instrument(form.Instrument); err != nil {
		return nil, err
	}
	if c.AtEar, err = form.AtEar.levels(); err != nil {
		return nil, err
	}
	profiles, err := chosen(form.Profiles, o)
	if err != nil {
		return nil, err
	}
	segments := make([]Segment, 0, len(form.Segments))
	for i, e := range form.Segments {
		s, err := e.segment(fmt.Sprintf("/segments/%d", i))
		if err != nil {
			return nil, err
		}
		segments = append(segments, s)
	}
	m, err := ComputeSegments(segments, profiles, c)
	if err != nil {
		return nil, placed("/segments", err)
	}
	return m, nil
}

func (e segmentEntry) segment(at string) (Segment, error) {
	switch {
	case e.LevelDB == nil:
		return Segment{}, docFault(at+"/level_db", "a segment needs a level")
	case e.Hours == nil:
		return Segment{}, docFault(at+"/hours", "a segment needs a duration")
	}
	if text := levelTrouble(*e.LevelDB); text != "" {
		return Segment{}, docFault(at+"/level_db", text)
	}
	if text := hoursTrouble(*e.Hours); text != "" {
		return Segment{}, docFault(at+"/hours", text)
	}
	return Segment{*e.LevelDB, *e.Hours}, nil
}

func profileList(o Options) string {
	var ids []string
	for _, p := range o.profiles() {
		ids = append(ids, p.ID)
	}
	return strings.Join(ids, ", ")
}

// chosen finds the profiles a document names.
func chosen(ids []string, o Options) ([]Profile, error) {
	all := o.profiles()
	list := make([]Profile, 0, len(ids))
	for i, id := range ids {
		at := fmt.Sprintf("/profiles/%d", i)
		p, err := pick(all, id)
		if err != nil {
			return nil, docFault(at, fmt.Sprintf("there is no profile %q; the profiles are %s", id, profileList(o)))
		}
		if slices.Contains(ids[:i], id) {
			return nil, docFault(at, fmt.Sprintf("the profile %q stands here twice; keep one", id))
		}
		list = append(list, p)
	}
	return list, nil
}

type historyForm struct {
	Method     string         `json:"method"`
	IntervalS  *float64       `json:"interval_s"`
	Quantity   *Quantity      `json:"quantity"`
	LevelsDB   []float64      `json:"levels_db"`
	CSV        *string        `json:"csv"`
	Peaks      *peaksEntry    `json:"peaks"`
	Exclude    []excludeEntry `json:"exclude"`
	Profiles   []string       `json:"profiles"`
	ShiftHours *float64       `json:"shift_hours"`
	Instrument *Instrument    `json:"instrument"`
	AtEar      *atEarEntry    `json:"at_ear"`
}

type peaksEntry struct {
	Weighting *string   `json:"weighting"`
	Unit      *string   `json:"unit"`
	Values    []float64 `json:"values"`
}

type excludeEntry struct {
	FromS  *float64 `json:"from_s"`
	ToS    *float64 `json:"to_s"`
	Reason *string  `json:"reason"`
	Treat  *Treat   `json:"treat"`
}

func runHistory(doc []byte, o Options) (any, error) {
	form, err := decode[historyForm](doc)
	if err != nil {
		return nil, err
	}
	h, peaks, err := form.levels(o)
	if err != nil {
		return nil, err
	}
	c, err := form.context(h.Seconds())
	if err != nil {
		return nil, err
	}
	profiles, err := chosen(form.Profiles, o)
	if err != nil {
		return nil, err
	}
	m, err := Compute(h, peaks, profiles, c)
	if err != nil {
		return nil, placed("/exclude", err)
	}
	for _, f := range CheckReturn(h, Wear{}, DefaultCheckRules()) {
		if f.Code != "gap" { // Compute has told of those that no exclusion covers
			m.Flags = append(m.Flags, f)
		}
	}
	return m, nil
}

// levels takes the history from the document or from the return file it names.
func (f historyForm) levels(o Options) (History, *Peaks, error) {
	switch {
	case f.CSV != nil && f.LevelsDB != nil:
		return History{}, nil, docFault("/csv", "give levels_db or csv, not both")
	case f.CSV != nil:
		return f.fromFile(o)
	case f.LevelsDB == nil:
		return History{}, nil, docFault("/levels_db", "the key is missing; give levels_db, or csv on the command line")
	case len(f.LevelsDB) == 0:
		return History{}, nil, docFault("/levels_db", "at least one level is needed")
	case f.IntervalS == nil:
		return History{}, nil, docFault("/interval_s", "the key is missing; give the seconds from one level to the next")
	case !(*f.IntervalS >= leastStep && *f.IntervalS <= 86400):
		return History{}, nil, docFault("/interval_s", fmt.Sprintf("the step is above 0 s (at least %v s) and at most 86400 s, not %v s", leastStep, *f.IntervalS))
	case f.Quantity == nil:
		return History{}, nil, docFault("/quantity", "the key is missing; it is LAeq or LASmax")
	case *f.Quantity != LAeq && *f.Quantity != LASmax:
		return History{}, nil, docFault("/quantity", fmt.Sprintf("the quantity is LAeq or LASmax, not %q", *f.Quantity))
	}
	for i, db := range f.LevelsDB {
		if text := levelTrouble(db); text != "" {
			return History{}, nil, docFault(fmt.Sprintf("/levels_db/%d", i), text)
		}
	}
	levels, err := NewLevels(f.LevelsDB)
	if err != nil {
		return History{}, nil, placed("/levels_db", err)
	}
	peaks, err := f.Peaks.peaks()
	return History{StepSeconds: *f.IntervalS, Quantity: *f.Quantity, Levels: levels}, peaks, err
}

// fromFile reads the named return file. What the document says besides has to agree with it.
func (f historyForm) fromFile(o Options) (History, *Peaks, error) {
	if o.Open == nil {
		return History{}, nil, docFault("/csv", "files can be named on the command line only; give levels_db")
	}
	if f.Peaks != nil {
		return History{}, nil, docFault("/peaks", "the return file carries its own peaks; leave the key out")
	}
	file, err := o.Open(*f.CSV)
	if err != nil {
		return History{}, nil, docFault("/csv", fmt.Sprintf("the file %q cannot be opened: %v", *f.CSV, err))
	}
	defer file.Close()
	r, err := ParseCSV(file, o.Limits)
	if err != nil {
		return History{}, nil, err
	}
	if f.IntervalS != nil && *f.IntervalS != r.History.StepSeconds {
		return History{}, nil, docFault("/interval_s", fmt.Sprintf("the return file has steps of %v s; leave the key out or correct it", r.History.StepSeconds))
	}
	if f.Quantity != nil && *f.Quantity != r.History.Quantity {
		return History{}, nil, docFault("/quantity", fmt.Sprintf("the return file holds %s; leave the key out or correct it", r.History.Quantity))
	}
	return r.History, r.Peaks, nil
}

func (e *peaksEntry) peaks() (*Peaks, error) {
	switch {
	case e == nil:
		return nil, nil
	case e.Weighting == nil || !slices.Contains([]string{"A", "C", "Z"}, *e.Weighting):
		return nil, docFault("/peaks/weighting", "the weighting of the peaks is A, C or Z")
	case e.Unit == nil || (*e.Unit != "dB" && *e.Unit != "Pa"):
		return nil, docFault("/peaks/unit", "the unit of the peaks is dB or Pa")
	case len(e.Values) == 0:
		return nil, docFault("/peaks/values", "at least one peak is needed; without peaks leave the key peaks out")
	}
	db := make([]float64, len(e.Values))
	for i, x := range e.Values {
		db[i] = x
		if *e.Unit == "Pa" {
			db[i] = PeakLevel(x)
		}
		if text := peakTrouble(x, *e.Unit); text != "" {
			return nil, docFault(fmt.Sprintf("/peaks/values/%d", i), text)
		}
	}
	levels, err := NewLevels(db)
	if err != nil {
		return nil, placed("/peaks/values", err)
	}
	return &Peaks{*e.Weighting, levels}, nil
}

// peakTrouble says why a number cannot be a peak in dB or Pa, or nothing. Pressures below the reference have a level
// below 0 dB, which no microphone gives.
func peakTrouble(x float64, unit string) string {
	if unit == "dB" {
		return levelTrouble(x)
	}
	if math.IsNaN(x) || x < refPressure || PeakLevel(x) > maxLevel {
		return fmt.Sprintf("is %v Pa; a peak lies between %v and %.6g Pa", x, refPressure, PeakPressure(maxLevel))
	}
	return ""
}

// context checks what the document says besides the levels; seconds is the length of the history.
func (f historyForm) context(seconds float64) (Context, error) {
	var c Context
	var err error
	if c.Instrument, err = instrument(f.Instrument); err != nil {
		return c, err
	}
	if c.AtEar, err = f.AtEar.levels(); err != nil {
		return c, err
	}
	if f.ShiftHours != nil {
		if c.ShiftHours = *f.ShiftHours; !(c.ShiftHours >= shortest && c.ShiftHours <= 24) {
			return c, docFault("/shift_hours", fmt.Sprintf("the working time of the day is above 0 h and at most 24 h, not %v h", c.ShiftHours))
		}
	}
	for i, e := range f.Exclude {
		x, err := e.exclusion(fmt.Sprintf("/exclude/%d", i), seconds)
		if err != nil {
			return c, err
		}
		c.Exclusions = append(c.Exclusions, x)
	}
	return c, nil
}

func (e excludeEntry) exclusion(at string, seconds float64) (Exclusion, error) {
	x := Exclusion{Treat: Remove}
	switch {
	case e.FromS == nil:
		return x, docFault(at+"/from_s", "an exclusion needs a start")
	case e.ToS == nil:
		return x, docFault(at+"/to_s", "an exclusion needs an end")
	case e.Reason == nil || strings.TrimSpace(*e.Reason) == "":
		return x, docFault(at+"/reason", "an exclusion needs a reason")
	case e.Treat != nil && *e.Treat != Remove && *e.Treat != NotExposed:
		return x, docFault(at+"/treat", fmt.Sprintf("excluded time is treated as remove or not_exposed, not %q", *e.Treat))
	}
	x.FromS, x.ToS, x.Reason = *e.FromS, *e.ToS, *e.Reason
	if e.Treat != nil {
		x.Treat = *e.Treat
	}
	if text := x.trouble(seconds); text != "" {
		return x, docFault(at, text)
	}
	return x, nil
}
