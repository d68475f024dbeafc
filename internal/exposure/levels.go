package exposure

import (
	"fmt"
	"math"
)

// Levels holds the levels of a series compactly, at the coarsest of three resolutions that loses nothing. With PerDB 10 or
// 100 the levels are Coarse, in 0.1 or 0.01 dB; with PerDB 1,000,000 they are Fine, in 1e-6 dB. One of the two is used.
type Levels struct {
	PerDB  int
	Coarse []uint16
	Fine   []int32
}

// NewLevels keeps levels in dB. Each must lie between 0 and 200 dB; the fault names the position of one that does not.
func NewLevels(db []float64) (Levels, error) {
	b := newLevelBuilder(len(db))
	for i, x := range db {
		if text := levelTrouble(x); text != "" {
			return Levels{}, badInput("level %d %s", i, text)
		}
		b.add(micro(x))
	}
	return b.levels, nil
}

// levelTrouble says why a number cannot be a level, or nothing.
func levelTrouble(db float64) string {
	if math.IsNaN(db) || db < 0 || db > maxLevel {
		return fmt.Sprintf("is %v dB; a level lies between 0 and %d dB", db, maxLevel)
	}
	return ""
}

// Len counts the levels.
func (l Levels) Len() int { return len(l.Coarse) + len(l.Fine) }

// At gives one level in dB.
func (l Levels) At(i int) float64 {
	return float64(l.steps(i)) / float64(l.PerDB)
}

// DB gives all levels in dB.
func (l Levels) DB() []float64 {
	db := make([]float64, l.Len())
	for i := range db {
		db[i] = l.At(i)
	}
	return db
}

func (l Levels) steps(i int) int32 {
	if l.Fine != nil {
		return l.Fine[i]
	}
	return int32(l.Coarse[i])
}

// Check reports levels that are not in one of the three forms, or outside 0 to 200 dB.
func (l Levels) Check() error {
	if err := l.checkForm(); err != nil {
		return err
	}
	top := maxLevel * l.PerDB
	for i := range l.Len() {
		if v := l.steps(i); v < 0 || int(v) > top {
			return badInput("level %d %s", i, levelTrouble(l.At(i)))
		}
	}
	return nil
}

func (l Levels) checkForm() error {
	switch {
	case l.PerDB == 10 || l.PerDB == 100:
		if l.Fine != nil {
			return badInput("levels of %d steps per dB are kept in Coarse", l.PerDB)
		}
	case l.PerDB == microPerDB:
		if l.Coarse != nil {
			return badInput("levels of 1e-6 dB are kept in Fine")
		}
	default:
		return badInput("levels have 10, 100 or %d steps per dB, not %d", microPerDB, l.PerDB)
	}
	return nil
}

// levelBuilder takes levels in 1e-6 dB and refines its resolution only when one needs it.
type levelBuilder struct{ levels Levels }

func newLevelBuilder(room int) *levelBuilder {
	return &levelBuilder{Levels{PerDB: 10, Coarse: make([]uint16, 0, room)}}
}

func (b *levelBuilder) add(micro int64) {
	for micro%int64(microPerDB/b.levels.PerDB) != 0 {
		b.refine()
	}
	steps := micro / int64(microPerDB/b.levels.PerDB)
	if b.levels.Fine != nil {
		b.levels.Fine = append(b.levels.Fine, int32(steps))
		return
	}
	b.levels.Coarse = append(b.levels.Coarse, uint16(steps))
}

func (b *levelBuilder) refine() {
	l := &b.levels
	if l.PerDB == 10 {
		for i := range l.Coarse {
			l.Coarse[i] *= 10
		}
		l.PerDB = 100
		return
	}
	l.Fine = make([]int32, len(l.Coarse), cap(l.Coarse))
	for i, v := range l.Coarse {
		l.Fine[i] = int32(v) * (microPerDB / 100)
	}
	l.PerDB, l.Coarse = microPerDB, nil
}
