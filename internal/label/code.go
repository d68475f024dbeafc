package label

import (
	"kitd/internal/fault"

	"rsc.io/qr/coding"
)

// quiet is the white border of a QR code in modules (ISO/IEC 18004:2015, 5.3.8).
const quiet = 4

// code is a QR code: a square of modules without its border.
type code struct {
	size  int
	black func(x, y int) bool
}

// encode makes the smallest QR code of error correction level M, with the mask of the lowest penalty.
func encode(text string) (code, error) {
	enc, level := coding.String(text), coding.M
	v := coding.Version(coding.MinVersion)
	for v <= coding.MaxVersion && enc.Bits(v) > v.DataBytes(level)*8 {
		v++
	}
	if v > coding.MaxVersion {
		return code{}, fault.New(fault.BadInput, "what", "the address of a label is too long for a QR code; shorten public_url or the tag")
	}
	best, lowest := code{}, -1
	for mask := range coding.Mask(8) {
		plan, err := coding.NewPlan(v, level, mask)
		if err != nil {
			return code{}, fault.New(fault.Unexpected).Because(err)
		}
		made, err := plan.Encode(enc)
		if err != nil {
			return code{}, fault.New(fault.Unexpected).Because(err)
		}
		c := code{made.Size, made.Black}
		if p := c.penalty(); lowest < 0 || p < lowest {
			best, lowest = c, p
		}
	}
	return best, nil
}

// penalty scores how hard a code is to read (ISO/IEC 18004:2015, 7.8.3.1): long runs, blocks, what looks like a finder pattern, and
// an uneven share of black.
func (c code) penalty() int {
	sum, dark := 0, 0
	for i := range c.size {
		sum += c.runs(func(j int) bool { return c.black(j, i) }) + c.runs(func(j int) bool { return c.black(i, j) })
		for j := range c.size {
			if c.black(j, i) {
				dark++
			}
			if i > 0 && j > 0 && c.black(j, i) == c.black(j-1, i) && c.black(j, i) == c.black(j, i-1) && c.black(j, i) == c.black(j-1, i-1) {
				sum += 3
			}
		}
	}
	off := dark*100/(c.size*c.size) - 50
	return sum + max(off, -off)/5*10
}

// finder is the pattern 1:1:3:1:1 with four white modules on one side, as bits.
const (
	finderFirst = 0b10111010000
	finderLast  = 0b00001011101
)

// runs scores one line.
func (c code) runs(at func(int) bool) int {
	sum, run, window := 0, 0, 0
	for i := range c.size {
		if i > 0 && at(i) == at(i-1) {
			run++
		} else {
			run = 1
		}
		switch {
		case run == 5:
			sum += 3
		case run > 5:
			sum++
		}
		window = window << 1 & 0x7ff
		if at(i) {
			window |= 1
		}
		if i >= 10 && (window == finderFirst || window == finderLast) {
			sum += 40
		}
	}
	return sum
}

// draw puts the code with its border into a square, black modules of a row in one piece.
func (c code) draw(to canvas, left, top, size float64) {
	module := size / float64(c.size+2*quiet)
	for y := range c.size {
		for x := 0; x < c.size; x++ {
			end := x
			for end < c.size && c.black(end, y) {
				end++
			}
			if end > x {
				to.black(left+float64(x+quiet)*module, top+float64(y+quiet)*module, float64(end-x)*module, module)
				x = end
			}
		}
	}
}
