package demo

import (
	"fmt"
	"time"

	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/survey"
)

// The depots, by code.
const (
	harrow = "HL"
	quern  = "QS"
)

func (s *story) furnish() {
	var week []fleet.Hours
	for d := time.Monday; d <= time.Friday; d++ {
		week = append(week, fleet.Hours{Weekday: d, From: 7 * 60, To: 18 * 60})
	}
	for _, d := range []fleet.Depot{
		{Name: "Harrow Lane", Code: harrow, Zone: "Europe/London", Hours: week},
		{Name: "Quern Street", Code: quern, Zone: "America/Chicago", Hours: week},
	} {
		keep(s, s.depots, d.Code, func() (fleet.Depot, error) { return s.Pool.AddDepot(s.ctx, s.coordinator, d) })
	}
	for _, l := range []fleet.Laboratory{
		{Name: "Kestle Laboratory", Accreditation: "KL 4417 (invented)", DueRule: fleet.Anniversary},
		{Name: "Ostrey Metrology", Accreditation: "OM 208 (invented)", DueRule: fleet.MonthEnd},
	} {
		keep(s, s.labs, l.Name, func() (fleet.Laboratory, error) { return s.Pool.AddLaboratory(s.ctx, s.coordinator, l) })
	}
	for _, m := range []fleet.Model{
		{Name: "Wick 2", Maker: "Tarn & Ley", Kind: fleet.Dosimeter, ClassStd: "IEC 61252", ChargeMinutes: 150, TopUpDays: 28, ReadyDays: 3,
			RunMinutes: 20 * 60, CalibrationMonths: 12, MemoryRuns: 1, HoldsData: true},
		{Name: "Pitch 114", Maker: "Tarn & Ley", Kind: fleet.Calibrator, ClassStd: "IEC 60942 class 1", CalibrationMonths: 12},
		{Name: "Gauge 1", Maker: "Tarn & Ley", Kind: fleet.Meter, ClassStd: "IEC 61672-1 class 1", CalibrationMonths: 24},
		{Name: "Nest 6", Maker: "Tarn & Ley", Kind: fleet.Charger, Positions: 6},
		{Name: "Quay R", Maker: "Tarn & Ley", Kind: fleet.DataLink},
	} {
		keep(s, s.models, m.Name, func() (fleet.Model, error) { return s.Pool.AddModel(s.ctx, s.coordinator, m) })
	}
}

// series lists tags such as D-001 to D-010.
func series(prefix string, from, to int) []string {
	var tags []string
	for n := from; n <= to; n++ {
		tags = append(tags, fmt.Sprintf("%s-%03d", prefix, n))
	}
	return tags
}

func (s *story) stock() {
	add := func(model, depot string, tags ...string) {
		for _, tag := range tags {
			u := fleet.Unit{Tag: tag, Serial: fmt.Sprintf("%d%05d", len(s.units)%9+1, 10000+s.chance.IntN(89999)), Model: s.models[model].ID,
				Depot: s.depots[depot].ID, Ownership: fleet.Owned}
			if s.models[model].Kind == fleet.Dosimeter {
				u.Microphone, u.Firmware = fmt.Sprintf("M%05d", 10000+s.chance.IntN(89999)), "2.4"
			}
			keep(s, s.units, tag, func() (fleet.Unit, error) { return s.Pool.AddUnit(s.ctx, s.coordinator, u) })
		}
	}
	add("Wick 2", harrow, series("D", 1, 10)...)
	add("Wick 2", quern, series("D", 11, 14)...)
	add("Pitch 114", harrow, "C-001", "C-002", "C-005")
	add("Pitch 114", quern, "C-003", "C-004")
	add("Gauge 1", harrow, "M-001")
	add("Nest 6", harrow, "N-1", "N-2")
	add("Nest 6", quern, "N-3")
	add("Quay R", harrow, "R-001")
	s.facts(fleet.Fact{Unit: s.units["N-1"].ID, Body: fleet.PowerSeen{Good: true}},
		fleet.Fact{Unit: s.units["N-2"].ID, Body: fleet.PowerSeen{Good: true}},
		fleet.Fact{Unit: s.units["N-3"].ID, Body: fleet.PowerSeen{Good: true}})
	for _, tag := range series("D", 1, 14) {
		s.facts(fleet.Fact{Unit: s.units[tag].ID, Body: fleet.Opening{Full: true, Statement: "All dosimeters were charged overnight before the records began."}})
	}
	pack := func(code, depot string, tags ...string) {
		keep(s, s.kits, code, func() (fleet.Kit, error) {
			kit, err := s.Pool.AddKit(s.ctx, s.coordinator, fleet.Kit{Code: code, Name: "Kit " + code[2:], Depot: s.depots[depot].ID})
			if err != nil {
				return kit, err
			}
			return kit, s.Pool.SetKit(s.ctx, s.coordinator, kit.ID, s.ids(tags...), time.Time{})
		})
	}
	pack("K-01", harrow, append(series("D", 1, 4), "C-001")...)
	pack("K-02", harrow, append(series("D", 5, 8), "C-002")...)
	pack("K-03", quern, append(series("D", 11, 13), "C-003")...)
}

func (s *story) ids(tags ...string) []ident.ID {
	ids := make([]ident.ID, len(tags))
	for i, t := range tags {
		ids[i] = s.units[t].ID
	}
	return ids
}

func (s *story) facts(facts ...fleet.Fact) {
	s.try("facts", func() error {
		_, err := s.Pool.Record(s.ctx, s.coordinator, facts...)
		return err
	})
}

func ref(v float64) *float64 { return &v }

// certify enters the certificates that the pool came with. D-010 has lapsed by today; D-009 was mistyped, see present.
func (s *story) certify() {
	s.certificate("KL-3301", "Kestle Laboratory", -200, append(series("D", 1, 4), "C-001")...)
	s.certificate("KL-3342", "Kestle Laboratory", -150, append(series("D", 5, 8), "C-002", "C-005")...)
	s.certificate("OM-0871", "Ostrey Metrology", -120, append(series("D", 11, 13), "C-003", "C-004")...)
	s.certificate("KL-3120", "Kestle Laboratory", -371, "D-010")
	s.certificate("KL-3129", "Kestle Laboratory", -180, "D-009")
	s.certificate("OM-0702", "Ostrey Metrology", -345, "D-014")
	s.certificate("KL-2990", "Kestle Laboratory", -400, "M-001")
}

func (s *story) certificate(number, lab string, calibrated int, tags ...string) {
	s.try("certificate "+number, func() error {
		c := fleet.Certificate{Number: number, Laboratory: s.labs[lab].ID, Calibrated: s.today.AddDays(calibrated), Issued: s.today.AddDays(calibrated + 2)}
		for _, tag := range tags {
			u := s.units[tag]
			line := fleet.Line{Unit: u.ID, Verdict: fleet.Pass, AsFoundDB: ref(tenth(s.chance.NormFloat64() * 0.1)), AsLeftDB: ref(0), ExpandedDB: ref(0.2), CoverageK: 2, Microphone: u.Microphone}
			if tag[0] == 'C' {
				line.LevelDB, line.ExpandedDB = ref(114.0), ref(0.11)
			}
			c.Lines = append(c.Lines, line)
		}
		_, err := s.Pool.EnterCertificate(s.ctx, s.coordinator, c)
		return err
	})
}

func (s *story) customers() {
	for _, c := range []survey.Client{{Code: "SQF", Name: "Sallow Quay Foundry"}, {Code: "BRF", Name: "Bracken Forge"}, {Code: "QLC", Name: "Quillon Castings"}} {
		keep(s, s.clients, c.Code, func() (survey.Client, error) { return s.Office.AddClient(s.ctx, s.coordinator, c) })
	}
	site := func(client, name, zone string) {
		keep(s, s.sites, client, func() (survey.Site, error) {
			return s.Office.AddSite(s.ctx, s.coordinator, survey.Site{Client: s.clients[client].ID, Name: name, Zone: zone})
		})
	}
	site("SQF", "Sallow Quay, fettling shop", "Europe/London")
	site("BRF", "Bracken Forge, hammer hall", "Europe/London")
	site("QLC", "Quillon Castings, plant 2", "America/Chicago")
	for client, names := range map[string][]string{"SQF": {"Alder 3", "Alder 5", "Alder 7"}, "BRF": {"Birch 1", "Birch 2", "Birch 4"}, "QLC": {"Cedar 2", "Cedar 6", "Cedar 9"}} {
		for _, name := range names {
			keep(s, s.workers, name, func() (survey.Worker, error) {
				return s.Office.AddWorker(s.ctx, s.coordinator, survey.Worker{Client: s.clients[client].ID, Pseudonym: name})
			})
		}
	}
}
