package exposure

import (
	"slices"
	"strings"
	"testing"
)

// varied is a history that no check has anything to say about.
func varied(t *testing.T, n int) History {
	t.Helper()
	db := make([]float64, n)
	for i := range db {
		db[i] = 75 + float64(i%7)
	}
	return history(t, db...)
}

func codes(flags []Flag) string {
	var list []string
	for _, f := range flags {
		list = append(list, f.Code)
	}
	return strings.Join(list, " ")
}

func fill(h History, from, to int, steps uint16) History {
	h.Levels.Coarse = slices.Clone(h.Levels.Coarse)
	for i := from; i < to; i++ {
		h.Levels.Coarse[i] = steps
	}
	return h
}

func TestCheckReturn(t *testing.T) {
	rules := DefaultCheckRules()
	h := varied(t, 7200)
	if flags := CheckReturn(h, Wear{7200}, rules); len(flags) != 0 {
		t.Errorf("a sound return is flagged: %+v", flags)
	}
	quiet := h
	quiet.Levels.Coarse = slices.Clone(h.Levels.Coarse)
	for i := 1000; i < 2800; i++ {
		quiet.Levels.Coarse[i] = uint16(400 + i%50)
	}
	loud := fill(h, 3000, 3030, 0)
	for i := 3000; i < 3030; i++ {
		loud.Levels.Coarse[i] = uint16(1200 + i%3)
	}
	gap := h
	gap.Gaps = []Steps{{100, 160}}
	for _, c := range []struct {
		name, codes string
		h           History
		wear        float64
		seconds     float64
	}{
		{"exactly three quarters", "", h, 9600, 0},
		{"less than three quarters", "too_short", h, 9601, 2401},
		{"299 s flat", "", fill(h, 500, 799, 777), 7200, 0},
		{"300 s flat", "flat_line", fill(h, 500, 800, 777), 7200, 300},
		{"half an hour below 50 dB", "below_floor", quiet, 7200, 1800},
		{"a second less", "", fill(quiet, 1000, 1001, 700), 7200, 0},
		{"a second of work in it", "", fill(quiet, 1900, 1901, 700), 7200, 0},
		{"half a minute with most of the energy", "one_event", loud, 7200, 60},
		{"a gap", "gap", gap, 7200, 60},
		{"nothing in order", "", History{}, 7200, 0},
	} {
		flags := CheckReturn(c.h, Wear{c.wear}, rules)
		if codes(flags) != c.codes {
			t.Errorf("%s: flags %+v, want %q", c.name, flags, c.codes)
			continue
		}
		if len(flags) == 1 && flags[0].Seconds != c.seconds {
			t.Errorf("%s: %v s, want %v s", c.name, flags[0].Seconds, c.seconds)
		}
	}
	flags := CheckReturn(fill(h, 500, 800, 777), Wear{}, rules)
	if *flags[0].FromS != 500 || *flags[0].ToS != 800 {
		t.Errorf("%+v", flags[0])
	}
}

func TestChecksDoNotLookIntoGaps(t *testing.T) {
	h := fill(varied(t, 7200), 2000, 6000, 0)
	h.Gaps = []Steps{{2000, 6000}}
	if got := codes(CheckReturn(h, Wear{}, DefaultCheckRules())); got != "gap" {
		t.Errorf("flags %q", got)
	}
}
