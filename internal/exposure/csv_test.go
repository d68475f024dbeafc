package exposure

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"kitd/internal/fault"
)

const csvHead = "# kitd-csv: 1\n# unit: D-014\n# serial: 20417\n# start: 2026-05-12T06:58:00+02:00\n# step_s: 1\n# quantity: LAeq\n# weighting: A\n# peak_weighting: C\n"

func TestParseCSV(t *testing.T) {
	text := "\ufeff" + strings.ReplaceAll(csvHead+"# note: left shoulder\nlevel_db,peak_db\n72.1,98.25\n 72.15 , 101\n80,99\n\n", "\n", "\r\n")
	r, err := ParseCSV(strings.NewReader(text), Limits{})
	if err != nil {
		t.Fatal(err)
	}
	start := time.Date(2026, 5, 12, 4, 58, 0, 0, time.UTC)
	if r.Unit != "D-014" || r.Serial != "20417" || !r.Start.Equal(start) || r.Rows != 3 || !slices.Equal(r.Notes, []string{"left shoulder"}) {
		t.Errorf("%+v", r)
	}
	if _, offset := r.Start.Zone(); offset != 7200 {
		t.Errorf("the offset of the start is %d s", offset)
	}
	if h := r.History; h.StepSeconds != 1 || h.Quantity != LAeq || h.Levels.PerDB != 100 || !slices.Equal(h.Levels.DB(), []float64{72.1, 72.15, 80}) {
		t.Errorf("%+v", h)
	}
	if r.Peaks.Weighting != "C" || !slices.Equal(r.Peaks.Levels.DB(), []float64{98.25, 101, 99}) {
		t.Errorf("%+v", r.Peaks)
	}
}

func TestParseCSVGapsByTime(t *testing.T) {
	rows := "time,level_db,peak_db\n2026-05-12T06:58:00+02:00,80,100\n2026-05-12T04:58:01Z,81,100\n2026-05-12T06:58:05+02:00,82,101\n2026-05-12T06:58:06.02+02:00,83,102\n"
	r, err := ParseCSV(strings.NewReader(csvHead+rows), Limits{})
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(r.History.Gaps, []Steps{{2, 5}}) || r.History.Levels.Len() != 7 || r.Peaks.Levels.Len() != 7 || r.Rows != 4 {
		t.Errorf("%+v", r.History)
	}
	late, err := ParseCSV(strings.NewReader(strings.ReplaceAll(csvHead, "step_s: 1", "step_s: 0.5")+"t_s,level_db\n2,80\n2.5,81\n"), Limits{})
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(late.History.Gaps, []Steps{{0, 4}}) {
		t.Errorf("a history that begins after its start: %+v", late.History)
	}
}

// A clock change moves the offset, not the steps: at the end of the hour that is left out the next second has the new offset.
func TestParseCSVAcrossAClockChange(t *testing.T) {
	r, err := ParseCSV(strings.NewReader("# kitd-csv: 1\n# step_s: 1\n# quantity: LAeq\ntime,level_db\n2026-03-29T01:59:59+01:00,80\n2026-03-29T03:00:00+02:00,81\n"), Limits{})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.History.Gaps) != 0 || r.History.Levels.Len() != 2 || r.Start.Format(time.RFC3339) != "2026-03-29T01:59:59+01:00" {
		t.Errorf("%+v", r)
	}
}

func TestParseCSVPressurePeaks(t *testing.T) {
	r, err := ParseCSV(strings.NewReader(csvHead+"level_db,peak_pa\n80,140\n"), Limits{})
	if err != nil {
		t.Fatal(err)
	}
	m := compute(t, r.History, r.Peaks, Context{}, "eu-2003-10")
	if v := verdict(t, m.Profiles[0], "upper-action-peak-reached"); v.State != Met || *v.Value != 140 {
		t.Errorf("140 Pa: %+v", v)
	}
	if v := verdict(t, m.Profiles[0], "upper-action-peak-exceeded"); v.State != NotMet {
		t.Errorf("140 Pa: %+v", v)
	}
}

func TestParseCSVRefuses(t *testing.T) {
	body := csvHead + "level_db,peak_db\n"
	timed := csvHead + "time,level_db\n2026-05-12T06:58:00+02:00,80\n"
	for _, c := range []struct{ name, text, where, says string }{
		{"0 bytes", "", "line 1, column 1", "empty"},
		{"no rows", body, "line 9, column 1", "no level"},
		{"header only", csvHead, "line 8, column 1", "column row"},
		{"other CSV", "level_db\n80\n", "line 1, column 1", "kitd-csv: 1"},
		{"newer version", "# kitd-csv: 2\n", "line 1, column 13", "version"},
		{"unknown key", "# kitd-csv: 1\n# Unit: x\n", "line 2, column 1", "peak_weighting"},
		{"key twice", "# kitd-csv: 1\n# unit: x\n# unit: y\n", "line 3, column 1", "second time"},
		{"free text", "# kitd-csv: 1\n# hello\n", "line 2, column 1", "note"},
		{"empty value", "# kitd-csv: 1\n# unit:\n", "line 2, column 8", "no value"},
		{"no step", "# kitd-csv: 1\n# quantity: LAeq\nlevel_db\n80\n", "line 3, column 1", "step_s"},
		{"no quantity", "# kitd-csv: 1\n# step_s: 1\nlevel_db\n80\n", "line 3, column 1", "quantity"},
		{"step 0", "# kitd-csv: 1\n# step_s: 0\n", "line 2, column 11", "step"},
		{"quantity", "# kitd-csv: 1\n# quantity: LCeq\n", "line 2, column 13", "LASmax"},
		{"weighting", "# kitd-csv: 1\n# weighting: C\n", "line 2, column 14", "A-weighted"},
		{"start without offset", "# kitd-csv: 1\n# start: 2026-05-12T06:58:00\n", "line 2, column 10", "offset"},
		{"semicolons", csvHead + "level_db;peak_db\n80;90\n", "line 9, column 9", "comma"},
		{"unknown column", csvHead + "level_db,Peak\n", "line 9, column 10", "peak_pa"},
		{"column twice", csvHead + "level_db,level_db\n", "line 9, column 10", "twice"},
		{"no level column", csvHead + "peak_db\n", "line 9, column 1", "level_db"},
		{"peaks without weighting", "# kitd-csv: 1\n# step_s: 1\n# quantity: LAeq\nlevel_db,peak_db\n80,90\n", "line 4, column 1", "peak_weighting"},
		{"300 dB", body + "80,90\n300,90\n", "line 11, column 1", "between 0 and 200"},
		{"marker", body + "80,-999\n", "line 10, column 4", "not measured"},
		{"NaN", body + "NaN,90\n", "line 10, column 1", "plain decimal"},
		{"exponent", body + "8e1,90\n", "line 10, column 1", "plain decimal"},
		{"formula", body + "=cmd(),90\n", "line 10, column 1", "=cmd()"},
		{"hexadecimal", body + "0x50,90\n", "line 10, column 1", "plain decimal"},
		{"missing cell", body + "80,\n", "line 10, column 4", "missing"},
		{"missing column", body + "80\n", "line 10, column 1", "1 values"},
		{"decimal commas", body + "80,1,90,2\n", "line 10, column 1", "decimal comma"},
		{"quoted decimal comma", csvHead + "level_db\n\"80,1\"\n", "line 10, column 1", "decimal comma"},
		{"quotes", body + "\"80\",90\n", "line 10, column 1", "quotes"},
		{"semicolon rows", body + "80;90\n", "line 10, column 3", "comma"},
		{"blank inside", body + "80,90\n\n81,90\n", "line 11, column 1", "empty line"},
		{"binary", body + "80,\x0090\n", "line 10, column 4", "not text"},
		{"not UTF-8", "# kitd-csv: 1\n# unit: \xe9\n", "line 2, column 9", "UTF-8"},
		{"long line", body + strings.Repeat("8", 5000), "line 10, column 1", "4096"},
		{"backwards", timed + "2026-05-12T06:57:59+02:00,80\n", "line 11, column 1", "order of time"},
		{"repeated", timed + "2026-05-12T06:58:00+02:00,80\n", "line 11, column 1", "order of time"},
		{"mixed steps", timed + "2026-05-12T06:58:01.5+02:00,80\n", "line 11, column 1", "mixed steps"},
		{"time of day", timed + "06:58:01,80\n", "line 11, column 1", "offset"},
		{"wrong step", timed + "2026-05-12T06:59:00+02:00,80\n2026-05-12T07:00:00+02:00,80\n2026-05-12T07:01:00+02:00,80\n", "line 13, column 1", "step_s"},
		{"endless notes", "# kitd-csv: 1\n" + strings.Repeat("# note: x\n", 100), "line 101, column 1", "100 lines"},
		{"long tag", "# kitd-csv: 1\n# unit: " + strings.Repeat("é", 501) + "\n", "line 2, column 9", "500"},
		{"pressure", csvHead + "level_db,peak_pa\n80,0\n", "line 10, column 4", "0 Pa"},
		{"UTF-16", "\xff\xfe#\x00 \x00", "line 1, column 1", "UTF-8"},
		{"years later", timed + "2036-05-12T06:58:00+02:00,80\n", "line 11, column 1", "2000000"},
	} {
		r, err := ParseCSV(strings.NewReader(c.text), Limits{})
		var f *fault.Error
		if r != nil || !errors.As(err, &f) || f.Code != fault.ReturnFile {
			t.Errorf("%s: got %v, %v", c.name, r, err)
			continue
		}
		if f.Fields[0].Path != c.where || !strings.Contains(f.Fields[0].Text, c.says) {
			t.Errorf("%s: %s: %s; want %s and %q", c.name, f.Fields[0].Path, f.Fields[0].Text, c.where, c.says)
		}
	}
}

func TestParseCSVStopsAtItsLimits(t *testing.T) {
	text := csvHead + "level_db\n" + strings.Repeat("80\n", 11)
	if _, err := ParseCSV(strings.NewReader(text), Limits{MaxSamples: 10}); !fault.Is(err, fault.ReturnFile) || !strings.Contains(err.Error(), "line 20") {
		t.Errorf("%v", err)
	}
	if _, err := ParseCSV(strings.NewReader(text), Limits{MaxSamples: 11}); err != nil {
		t.Error(err)
	}
	endless := io.MultiReader(strings.NewReader(csvHead+"level_db\n"), &repeated{line: "80.5\n"})
	if _, err := ParseCSV(endless, Limits{MaxSamples: 1000}); !fault.Is(err, fault.ReturnFile) {
		t.Errorf("an endless file: %v", err)
	}
	broken := errors.New("the line dropped")
	_, err := ParseCSV(io.MultiReader(strings.NewReader(csvHead+"level_db\n80\n"), iotest.ErrReader(broken)), Limits{})
	if !fault.Is(err, fault.ReturnFile) || !errors.Is(err, broken) {
		t.Errorf("a broken transfer: %v", err)
	}
}

type repeated struct{ line string }

func (r *repeated) Read(b []byte) (int, error) { return copy(b, r.line), nil }

func TestCSVRoundTrip(t *testing.T) {
	for _, levels := range [][]float64{{80, 80.1, 200, 0}, {80.25, 0.01, 60, 61}, {80.123456, 1, 2, 3}} {
		h := history(t, levels...)
		h.StepSeconds, h.Quantity = 0.125, LASmax
		peaks, err := NewLevels([]float64{100.5, 101, 137.25, 99})
		if err != nil {
			t.Fatal(err)
		}
		in := Return{Unit: "D-1 <b>é😀", Serial: "7", Start: time.Date(2026, 3, 29, 1, 59, 59, 5e8, time.UTC), Notes: []string{"=1+1"}, History: h, Peaks: &Peaks{"Z", peaks}, Rows: 4}
		var b bytes.Buffer
		if err := WriteCSV(&b, in); err != nil {
			t.Fatal(err)
		}
		out, err := ParseCSV(&b, Limits{})
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(*out, in) {
			t.Errorf("wrote %+v, read %+v", in, *out)
		}
	}
	h := history(t, 80, 0, 0, 81, 82)
	h.Gaps = []Steps{{1, 3}}
	var b bytes.Buffer
	if err := WriteCSV(&b, Return{History: h}); err != nil {
		t.Fatal(err)
	}
	out, err := ParseCSV(&b, Limits{})
	if err != nil || !reflect.DeepEqual(out.History, h) {
		t.Errorf("with a gap: %+v, %v", out, err)
	}
	if err := WriteCSV(&b, Return{Unit: "a\n# step_s: 9", History: h}); err == nil {
		t.Error("a line end in a header text was written")
	}
}

func TestDecimal(t *testing.T) {
	for s, want := range map[string]int64{"0": 0, "72.1": 72100000, "072.10": 72100000, "0.0000005": 1, "0.0000004": 0, "-3.5": -3500000} {
		if got, what := decimal(s); got != want || what != "" {
			t.Errorf("%q: %d, %s", s, got, what)
		}
	}
	for _, s := range []string{"", ".", "1.", ".5", "+1", "1 2", "--1", "1.2.3", "1e3", "∞", "１"} {
		if _, what := decimal(s); what == "" {
			t.Errorf("%q was read as a number", s)
		}
	}
}

// BenchmarkParseCSV reports how many times the time of splitting lines and strconv.ParseFloat alone it takes.
func BenchmarkParseCSV(b *testing.B) {
	var text bytes.Buffer
	if err := WriteCSV(&text, Return{History: benchShift(10)}); err != nil {
		b.Fatal(err)
	}
	parse := func() {
		if _, err := ParseCSV(bytes.NewReader(text.Bytes()), Limits{}); err != nil {
			b.Fatal(err)
		}
	}
	plain := func() {
		for lines := bufio.NewScanner(bytes.NewReader(text.Bytes())); lines.Scan(); {
			x, _ := strconv.ParseFloat(lines.Text(), 64)
			sink += x
		}
	}
	b.SetBytes(int64(text.Len()))
	b.ReportAllocs()
	for b.Loop() {
		parse()
	}
	own, reference := math.Inf(1), math.Inf(1)
	for range 20 {
		own, reference = min(own, spent(1, parse)), min(reference, spent(1, plain))
	}
	b.ReportMetric(own/reference, "times-plain-reading")
}

func FuzzParseCSV(f *testing.F) {
	f.Add([]byte(csvHead + "level_db,peak_db\n80.1,100\n"))
	f.Add([]byte("\ufeff# kitd-csv: 1\r\n# step_s: 0.5\r\n# quantity: LASmax\r\nt_s,level_db\r\n0,80.123456\r\n2,81\r\n"))
	f.Add([]byte(csvHead + "time,level_db,peak_pa\n2026-05-12T06:58:00+02:00,80,0.5\n2026-05-12T06:58:03+02:00,80,0.5\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		r, err := ParseCSV(bytes.NewReader(data), Limits{MaxSamples: 5000})
		if err != nil {
			var e *fault.Error
			if !errors.As(err, &e) || e.Code != fault.ReturnFile || len(e.Fields) != 1 {
				t.Fatalf("not a fault with a place: %v", err)
			}
			return
		}
		if err := r.History.Check(); err != nil {
			t.Fatal(err)
		}
		if _, err := Compute(r.History, r.Peaks, Profiles(), Context{}); err != nil {
			t.Fatal(err)
		}
		CheckReturn(r.History, Wear{3600}, DefaultCheckRules())
		var b bytes.Buffer
		if err := WriteCSV(&b, *r); err != nil {
			t.Fatal(err)
		}
		again, err := ParseCSV(bytes.NewReader(b.Bytes()), Limits{MaxSamples: 5000})
		if err != nil {
			t.Fatalf("what was written is not read: %v\n%s", err, b.Bytes())
		}
		if fmt.Sprint(again.History) != fmt.Sprint(r.History) || !again.Start.Equal(r.Start) {
			t.Fatalf("wrote %+v, read %+v", r.History, again.History)
		}
	})
}
