package demo

import (
	"bytes"
	"fmt"
	"time"

	"kitd/internal/access"
	"kitd/internal/civil"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/schedule"
	"kitd/internal/survey"
)

// visit is one day at a site with one kit.
type visit struct {
	day      int // from today
	depot    string
	kit      string
	client   string
	title    string
	group    string
	shift    string
	profiles []string
	wears    []wearing
}

// wearing is one dosimeter on one worker.
type wearing struct {
	tag, worker string
	drift       float64 // of the after check, dB
	unread      bool    // the data were not read yet
}

var (
	british  = []string{"uk-2005", "us-niosh"}
	american = []string{"us-osha-hc", "us-osha-pel", "us-niosh"}
)

func (s *story) past() {
	for _, v := range []visit{
		{day: -71, depot: harrow, kit: "K-01", client: "SQF", title: "Sallow Quay, fettlers", group: "Fettlers", shift: "fettling", profiles: british,
			wears: []wearing{{"D-001", "Alder 3", 0.1, false}, {"D-002", "Alder 5", -0.2, false}, {"D-003", "Alder 7", 0, false}}},
		{day: -48, depot: harrow, kit: "K-02", client: "BRF", title: "Bracken Forge, hammer crew", group: "Hammer crew", shift: "hammer", profiles: british,
			wears: []wearing{{"D-005", "Birch 1", -0.1, false}, {"D-006", "Birch 2", 0.3, false}, {"D-007", "Birch 4", 0.7, false}}},
		{day: -27, depot: quern, kit: "K-03", client: "QLC", title: "Quillon plant 2, shakeout", group: "Shakeout", shift: "hammer", profiles: american,
			wears: []wearing{{"D-011", "Cedar 2", 0.2, false}, {"D-012", "Cedar 6", 0, false}, {"D-013", "Cedar 9", -0.1, false}}},
		{day: -13, depot: harrow, kit: "K-01", client: "SQF", title: "Sallow Quay, sweepers", group: "Sweepers", shift: "sweep", profiles: british,
			wears: []wearing{{"D-001", "Alder 3", 0.1, false}, {"D-004", "Alder 5", 0, false}}},
		{day: -4, depot: quern, kit: "K-03", client: "QLC", title: "Quillon plant 2, second day", group: "Shakeout", shift: "fettling", profiles: american,
			wears: []wearing{{"D-011", "Cedar 2", 0.1, false}, {"D-012", "Cedar 6", -0.2, true}}},
	} {
		s.visit(v)
	}
}

// visit plays one survey from the booking to the results.
func (s *story) visit(v visit) {
	s.at(v.depot, v.day-15, 10, 0)
	plan := s.plan(v)
	booking := s.book(v, plan.ID, v.day, 7, 16)
	s.charge(v.depot, v.day-2, s.dosimeters(v.kit)...)
	s.handOut(v, booking, s.at(v.depot, v.day-1, 15, 30))
	wears := make([]survey.Wear, len(v.wears))
	for i, w := range v.wears {
		wears[i] = s.wear(v, plan, w, i)
	}
	s.try("check in", func() error {
		s.at(v.depot, v.day+1, 9, 0)
		_, err := s.Desk.CheckIn(s.ctx, s.coordinator, booking, schedule.CheckIn{})
		return err
	})
	for i, w := range v.wears {
		if !w.unread {
			s.read(v, w, wears[i], i)
		}
	}
	s.charge(v.depot, v.day+2, s.dosimeters(v.kit)...)
}

func (s *story) dosimeters(kit string) []string {
	return map[string][]string{"K-01": series("D", 1, 4), "K-02": series("D", 5, 8), "K-03": series("D", 11, 13)}[kit]
}

func (s *story) plan(v visit) survey.Survey {
	var plan survey.Survey
	s.try("survey", func() (err error) {
		plan, err = s.Office.AddSurvey(s.ctx, s.coordinator, survey.Survey{Site: s.sites[v.client].ID, Title: v.title, Days: []civil.Date{s.today.AddDays(v.day)},
			Groups: []survey.Group{{Name: v.group, Size: 9}}, Profiles: v.profiles})
		return err
	})
	return plan
}

// book asks for the kit from one hour to another of a day, in the depot's zone, as the surveyor would.
func (s *story) book(v visit, plan ident.ID, day, from, to int) ident.ID {
	var id ident.ID
	s.try("book "+v.title, func() error {
		out, err := s.Desk.Book(s.ctx, s.surveyor, s.wish(v.title, v.depot, v.client, plan, schedule.Ask{Kit: s.kits[v.kit].ID}, day, from, day, to))
		id = out.ID
		return err
	})
	return id
}

func (s *story) wish(title, depot, client string, plan ident.ID, ask schedule.Ask, firstDay, from, lastDay, to int) schedule.Wish {
	zone := s.depots[depot].Zone
	local := func(day, hour int) schedule.Civil {
		return schedule.Civil{Local: fmt.Sprintf("%sT%02d:00:00", s.today.AddDays(day), hour), Zone: zone}
	}
	w := schedule.Wish{Title: title, Ask: ask, Survey: plan,
		Occurrences: []schedule.Occurrence{{FromCivil: local(firstDay, from), ToCivil: local(lastDay, to)}}}
	if client != "" {
		w.Client = s.clients[client].ID
	}
	if ask.Dosimeters > 0 {
		w.StartDepot = s.depots[depot].ID
	}
	return w
}

func (s *story) handOut(v visit, booking ident.ID, at time.Time) {
	s.try("hand out "+v.title, func() error {
		_, err := s.Desk.HandOut(s.ctx, s.coordinator, booking, schedule.HandOut{At: at, Holder: "Tam Osk"})
		return err
	})
}

// charge puts units on the depot's chargers in the morning and takes them off, full, after lunch.
func (s *story) charge(depot string, day int, tags ...string) {
	s.onCharge(depot, s.at(depot, day, 8, 30), tags...)
	s.at(depot, day, 13, 0)
	full := true
	for _, tag := range tags {
		s.facts(fleet.Fact{Unit: s.units[tag].ID, Body: fleet.ChargeOff{Full: &full}})
	}
}

func (s *story) onCharge(depot string, at time.Time, tags ...string) {
	chargers := map[string][]string{harrow: {"N-1", "N-2"}, quern: {"N-3"}}[depot]
	for i, tag := range tags {
		on := fleet.ChargeOn{Charger: s.units[chargers[i/6]].ID, Position: i%6 + 1}
		s.facts(fleet.Fact{Unit: s.units[tag].ID, Occurred: at, Body: on})
	}
}

// wear plays the shift of one worker: check, start, stop, check.
func (s *story) wear(v visit, plan survey.Survey, w wearing, i int) survey.Wear {
	var worn survey.Wear
	start := s.at(v.depot, v.day, 7, 2*i)
	s.try("start "+w.tag, func() (err error) {
		worn, err = s.Office.StartWear(s.ctx, s.surveyor, survey.Start{Survey: plan.ID, Worker: s.workers[w.worker].ID, Group: plan.Groups[0].ID,
			ShiftMinutes: 480, UnitTag: w.tag, Side: survey.Right, At: start})
		return err
	})
	s.fieldCheck(v, worn, survey.Before, start.Add(-20*time.Minute), "114.1", "114.0")
	s.at(v.depot, v.day, 15, 2*i)
	s.try("stop "+w.tag, func() error {
		_, err := s.Office.StopWear(s.ctx, s.surveyor, survey.Stop{Wear: worn.ID, At: start.Add(8 * time.Hour), Outcome: survey.Complete})
		return err
	})
	s.fieldCheck(v, worn, survey.After, s.at(v.depot, v.day, 15, 15+i), fmt.Sprintf("%.1f", 114+w.drift), "")
	return worn
}

func (s *story) fieldCheck(v visit, worn survey.Wear, when survey.When, at time.Time, indicated, adjusted string) {
	calibrator := map[string]string{"K-01": "C-001", "K-02": "C-002", "K-03": "C-003"}[v.kit]
	s.try("check", func() error {
		c := survey.Check{Wear: worn.ID, Calibrator: s.units[calibrator].ID, When: when, At: at, Place: "site office"}
		var err error
		if c.IndicatedDB, err = survey.ParseDB(indicated); err != nil {
			return err
		}
		if adjusted != "" {
			after, err := survey.ParseDB(adjusted)
			if err != nil {
				return err
			}
			c.Adjusted, c.AdjustedDB = true, &after
		}
		_, err = s.Office.RecordCheck(s.ctx, s.surveyor, c)
		return err
	})
}

// read takes the data in, accepts them, and clears the memory.
func (s *story) read(v visit, w wearing, worn survey.Wear, i int) {
	s.at(v.depot, v.day+1, 9, 20+i)
	s.try("return of "+w.tag, func() error {
		data, err := file(w.tag, s.units[w.tag].Serial, v.shift, worn.Start, s.chance)
		if err != nil {
			return err
		}
		got, err := s.Office.Receive(s.ctx, s.surveyor, survey.Upload{Name: fmt.Sprintf("%s-%s.csv", w.tag, s.today.AddDays(v.day)), Body: bytes.NewReader(data)})
		if err != nil {
			return err
		}
		accepted, err := s.Office.Accept(s.ctx, s.coordinator, survey.Judgement{Return: got.ID})
		if err == nil {
			err = accepted.Pending
		}
		return err
	})
	s.try("clear "+w.tag, func() error {
		_, err := s.Pool.IntendClear(s.ctx, s.coordinator, s.units[w.tag].ID, s.at(v.depot, v.day+1, 9, 40+i), "")
		return err
	})
}

// asJob is the actor of timed work in the story.
func asJob(name string) access.Actor { return access.System(name, access.ViaJob) }
