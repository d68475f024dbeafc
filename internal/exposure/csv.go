package exposure

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"kitd/internal/fault"
)

// Return is what comes back from one wear: whose it is, when it began, and the levels. The CSV form, version 1:
//
//	# kitd-csv: 1                          first line, required
//	# unit: D-014                          tag of the unit
//	# serial: 20417                        serial of the unit
//	# start: 2026-05-12T06:58:00+02:00     start of the first step, RFC 3339 with offset
//	# step_s: 1                            seconds from row to row, required
//	# quantity: LAeq                       LAeq or LASmax, required
//	# weighting: A                         frequency weighting of the levels, only A
//	# peak_weighting: C                    A, C or Z, required with a peak column
//	# note: free text, as often as needed
//	level_db,peak_db
//	72.1,98.2
//
// One row a step. The columns are level_db, optionally peak_db or peak_pa, and optionally time (RFC 3339 with offset) or t_s
// (seconds from the start). With a time column missing rows are gaps; without one there are none. UTF-8, comma between
// columns, point before decimals, no quotes, no exponents; a byte order mark and CRLF are accepted.
type Return struct {
	Unit    string
	Serial  string
	Start   time.Time // zero when the file does not tell
	Notes   []string
	History History
	Peaks   *Peaks
	Rows    int // rows read, gaps not counted
}

// Limits bound what ParseCSV keeps in memory and accepts.
type Limits struct {
	MaxSamples int // steps, gaps included
	MaxLine    int // bytes of one line
}

// DefaultLimits are 2,000,000 steps (23 days of seconds) and lines of 4,096 bytes.
func DefaultLimits() Limits { return Limits{MaxSamples: 2_000_000, MaxLine: 4096} }

// ParseCSV reads a return in kitd's CSV form, streaming: memory grows with the number of steps only (2 to 8 bytes a step).
// It returns a fault of code return-file that names line and column and says what to do; nothing is returned with it.
func ParseCSV(r io.Reader, limits Limits) (*Return, error) {
	def := DefaultLimits()
	if limits.MaxSamples <= 0 {
		limits.MaxSamples = def.MaxSamples
	}
	if limits.MaxLine <= 0 {
		limits.MaxLine = def.MaxLine
	}
	p := &csvParser{in: bufio.NewReaderSize(r, max(limits.MaxLine, 64)), limits: limits, levels: newLevelBuilder(0), peaks: newLevelBuilder(0), seen: map[string]bool{}}
	if err := p.header(); err != nil {
		return nil, err
	}
	if err := p.columns(); err != nil {
		return nil, err
	}
	for {
		more, err := p.row()
		if err != nil {
			return nil, err
		}
		if !more {
			break
		}
	}
	return p.finish()
}

// maxHeaderLines bounds the notes a file can hold.
const maxHeaderLines = 100

type csvParser struct {
	in     *bufio.Reader
	limits Limits
	line   int
	text   string // the current line

	out          Return
	peakWeighted string
	seen         map[string]bool
	names        []string
	levels       *levelBuilder
	peaks        *levelBuilder
	gaps         []Steps
	ended        bool // an empty line was met: nothing may follow
}

func (p *csvParser) fail(column int, format string, args ...any) error {
	return p.fault(column, format, args...)
}

func (p *csvParser) fault(column int, format string, args ...any) *fault.Error {
	where, what := fmt.Sprintf("line %d, column %d", p.line, column), fmt.Sprintf(format, args...)
	return fault.New(fault.ReturnFile, "where", where, "what", what).At(where, what)
}

// next reads one line without its end; more is false after the last one.
func (p *csvParser) next() (more bool, err error) {
	raw, err := p.in.ReadSlice('\n')
	if errors.Is(err, io.EOF) && len(raw) == 0 {
		return false, nil
	}
	p.line++
	if errors.Is(err, bufio.ErrBufferFull) {
		return false, p.fail(1, "the line is longer than %d bytes; this is not a CSV file, or its line ends are missing", p.limits.MaxLine)
	}
	if err != nil && !errors.Is(err, io.EOF) {
		return false, p.fault(1, "the file could not be read to its end; send it again").Because(err)
	}
	if p.line == 1 {
		raw = bytes.TrimPrefix(raw, []byte("\xef\xbb\xbf"))
	}
	raw = bytes.TrimSuffix(bytes.TrimSuffix(raw, []byte("\n")), []byte("\r"))
	if at := notText(raw); at >= 0 {
		return false, p.fail(at+1, "a byte that is not text stands here; this is a binary or damaged file, or not UTF-8. Save it as CSV, UTF-8")
	}
	p.text = string(raw)
	return true, nil
}

// notText finds the first byte that is neither UTF-8 text nor a tab, or gives -1.
func notText(line []byte) int {
	for i, c := range line {
		if c >= ' ' && c < 0x7f || c == '\t' {
			continue
		}
		at := bytes.IndexFunc(line[i:], func(r rune) bool { return r < ' ' && r != '\t' || r == utf8.RuneError })
		if at < 0 {
			return -1
		}
		return i + at
	}
	return -1
}

// header reads the lines that begin with # and leaves the column row as the current line.
func (p *csvParser) header() error {
	for {
		more, err := p.next()
		if err != nil {
			return err
		}
		if !more {
			if p.line == 0 {
				p.line = 1
				return p.fail(1, "the file is empty, 0 bytes; download the return again")
			}
			return p.fail(1, "the file ends after its header; the column row and the levels are missing")
		}
		if p.line == 1 && !strings.HasPrefix(p.text, "#") {
			return p.fail(1, `the first line has to be "# kitd-csv: 1"; for other text files use a column map`)
		}
		if !strings.HasPrefix(p.text, "#") {
			return p.complete()
		}
		if p.line > maxHeaderLines {
			return p.fail(1, "the header is longer than %d lines; shorten the notes", maxHeaderLines)
		}
		if err := p.headerLine(); err != nil {
			return err
		}
	}
}

func (p *csvParser) headerLine() error {
	key, val, ok := strings.Cut(p.text[1:], ":")
	key, val = strings.TrimSpace(key), strings.TrimSpace(val)
	at := strings.IndexByte(p.text, ':') + 2
	rest := p.text[at-1:]
	at += len(rest) - len(strings.TrimLeft(rest, " \t"))
	switch {
	case !ok:
		return p.fail(1, `a header line is "# key: value"; for free text use "# note: ..."`)
	case p.line == 1 && key != "kitd-csv":
		return p.fail(1, `the first line has to be "# kitd-csv: 1", not the key %q`, short(key))
	case p.seen[key] && key != "note":
		return p.fail(1, "the key %q stands here a second time; keep one", short(key))
	case val == "":
		return p.fail(at, "the key %q has no value; give one or leave the line out", short(key))
	case utf8.RuneCountInString(val) > 500:
		return p.fail(at, "the value of %q is longer than 500 characters; shorten it", short(key))
	}
	p.seen[key] = true
	return p.headerValue(key, val, at)
}

func (p *csvParser) headerValue(key, val string, at int) error {
	switch key {
	case "kitd-csv":
		if val != "1" {
			return p.fail(at, "version %q of the form is not known here, only 1; use a newer kitd or save as version 1", short(val))
		}
	case "unit":
		p.out.Unit = val
	case "serial":
		p.out.Serial = val
	case "note":
		p.out.Notes = append(p.out.Notes, val)
	case "start":
		start, err := time.Parse(time.RFC3339Nano, val)
		if err != nil {
			return p.fail(at, "%q is not a moment of the form 2026-05-12T06:58:00+02:00, offset included", short(val))
		}
		p.out.Start = start
	case "step_s":
		step, what := decimal(val)
		if what != "" || step < leastStep*microPerDB || step > 86400*microPerDB {
			return p.fail(at, "the step %q is not a number of seconds above 0 and at most 86400", short(val))
		}
		p.out.History.StepSeconds = float64(step) / microPerDB
	case "quantity":
		p.out.History.Quantity = Quantity(val)
		if val != string(LAeq) && val != string(LASmax) {
			return p.fail(at, "the quantity is LAeq or LASmax, not %q", short(val))
		}
	case "weighting":
		if val != "A" {
			return p.fail(at, "only A-weighted levels can be computed, not %q", short(val))
		}
	case "peak_weighting":
		p.peakWeighted = val
		if val != "A" && val != "C" && val != "Z" {
			return p.fail(at, "the weighting of the peaks is A, C or Z, not %q", short(val))
		}
	default:
		return p.fail(1, "the key %q is not known; the keys are kitd-csv, unit, serial, start, step_s, quantity, weighting, peak_weighting, note", short(key))
	}
	return nil
}

func (p *csvParser) complete() error {
	for _, key := range []string{"step_s", "quantity"} {
		if !p.seen[key] {
			return p.fail(1, `the header lacks "# %s: ..."; add the line above this one`, key)
		}
	}
	return nil
}

// columns reads the column row, which is the current line.
func (p *csvParser) columns() error {
	if strings.ContainsAny(p.text, ";\t") && !strings.Contains(p.text, ",") {
		return p.fail(strings.IndexAny(p.text, ";\t")+1, "the columns are separated by semicolon or tab; kitd CSV takes a comma, and a point before decimals")
	}
	p.names = strings.Split(p.text, ",")
	count, at := map[string]int{}, 1
	for i, name := range p.names {
		p.names[i] = strings.TrimSpace(name)
		switch p.names[i] {
		case "level_db", "peak_db", "peak_pa", "time", "t_s":
		default:
			return p.fail(at, "the column %q is not known; the columns are level_db, peak_db or peak_pa, time or t_s", short(p.names[i]))
		}
		if count[p.names[i]]++; count[p.names[i]] > 1 {
			return p.fail(at, "the column %q stands here twice; keep one", p.names[i])
		}
		at += len(name) + 1
	}
	switch {
	case count["level_db"] == 0:
		return p.fail(1, "the column level_db is missing")
	case count["peak_db"]+count["peak_pa"] > 1:
		return p.fail(1, "there are two columns of peaks; keep peak_db or peak_pa")
	case count["time"]+count["t_s"] > 1:
		return p.fail(1, "there are two columns of time; keep time or t_s")
	case count["peak_db"]+count["peak_pa"] > 0 && p.peakWeighted == "":
		return p.fail(1, `the header lacks "# peak_weighting: C" (or A, Z), which a column of peaks needs`)
	}
	return nil
}

// row reads one row of levels.
func (p *csvParser) row() (more bool, err error) {
	if more, err = p.next(); err != nil || !more {
		return false, err
	}
	if strings.TrimSpace(p.text) == "" {
		p.ended = true
		return true, nil
	}
	if p.ended {
		p.line--
		return false, p.fail(1, "an empty line stands among the rows; leave it out")
	}
	cells := strings.Split(p.text, ",")
	if len(cells) != len(p.names) {
		return false, p.cellCount(len(cells))
	}
	at, peakSeen := 1, int64(-1)
	var level int64
	for i, cell := range cells {
		switch name := p.names[i]; name {
		case "time", "t_s":
			err = p.moment(name, strings.TrimSpace(cell), at)
		case "level_db":
			level, err = p.level(cell, at)
		case "peak_db":
			peakSeen, err = p.level(cell, at)
		case "peak_pa":
			peakSeen, err = p.pressure(cell, at)
		}
		if err != nil {
			return false, err
		}
		at += len(cell) + 1
	}
	if p.levels.levels.Len() >= p.limits.MaxSamples {
		return false, p.tooMany()
	}
	p.levels.add(level)
	if peakSeen >= 0 {
		p.peaks.add(peakSeen)
	}
	p.out.Rows++
	return true, nil
}

func (p *csvParser) tooMany() error {
	return p.fail(1, "the return spans more than %d steps; split it, or raise the limit", p.limits.MaxSamples)
}

func (p *csvParser) cellCount(n int) error {
	switch {
	case n > len(p.names) && looksDecimalComma(p.text):
		return p.fail(1, "%d values stand here for %d columns: numbers with a decimal comma? kitd CSV takes a point, as in 72.1", n, len(p.names))
	case strings.ContainsAny(p.text, ";\t"):
		return p.fail(strings.IndexAny(p.text, ";\t")+1, "semicolon or tab stands between the values; kitd CSV takes a comma")
	}
	return p.fail(1, "%d values stand here for %d columns; give each row all columns, and leave rows out that were not measured", n, len(p.names))
}

func looksDecimalComma(row string) bool {
	return strings.Trim(row, `0123456789,;"-: `) == ""
}

// level reads a level in 1e-6 dB.
func (p *csvParser) level(cell string, at int) (int64, error) {
	x, what := decimal(strings.TrimSpace(cell))
	if what != "" {
		return 0, p.fail(at, "%s", what)
	}
	if x < 0 || x > maxLevel*microPerDB {
		return 0, p.fail(at, "%s dB is no level, which lies between 0 and %d dB; leave rows out that were not measured, instead of marking them with a number", strings.TrimSpace(cell), maxLevel)
	}
	return x, nil
}

// pressure reads a peak in Pa and gives its level in 1e-6 dB.
func (p *csvParser) pressure(cell string, at int) (int64, error) {
	cell = strings.TrimSpace(cell)
	if _, what := decimal(cell); what != "" {
		return 0, p.fail(at, "%s", what)
	}
	pa, err := strconv.ParseFloat(cell, 64)
	if err != nil {
		return 0, p.fail(at, "%q is not a number", short(cell))
	}
	if text := peakTrouble(pa, "Pa"); text != "" {
		return 0, p.fail(at, "the peak %s; leave rows out that were not measured", text)
	}
	return micro(PeakLevel(pa)), nil
}

// moment places the row in time and opens a gap where steps are missing.
func (p *csvParser) moment(name, cell string, at int) error {
	var seconds float64
	if name == "t_s" {
		x, what := decimal(cell)
		if what != "" {
			return p.fail(at, "%s", what)
		}
		seconds = float64(x) / microPerDB
	} else {
		t, err := time.Parse(time.RFC3339Nano, cell)
		if err != nil {
			return p.fail(at, "%q is not a moment of the form 2026-05-12T06:58:00+02:00, offset included", short(cell))
		}
		if p.out.Start.IsZero() {
			p.out.Start = t
		}
		seconds = t.Sub(p.out.Start).Seconds()
	}
	done := p.levels.levels.Len()
	position := seconds / p.out.History.StepSeconds
	step := snapStep(position)
	switch {
	case position < float64(done)-0.5:
		return p.fail(at, "the time is that of an earlier row, or before the start; put the rows in order of time, each once")
	case step < 0:
		return p.fail(at, "the row is %.3f steps from the start: its time does not lie on the step of %v s. Rows with mixed steps cannot be computed; split the file", position, p.out.History.StepSeconds)
	case step >= p.limits.MaxSamples:
		return p.tooMany()
	case step > done:
		p.openGap(done, step)
	}
	return nil
}

// snapStep is the whole step a position stands for, -1 when it lies more than a twentieth of a step off.
func snapStep(position float64) int {
	if !(position >= -0.05 && position < 1e9) {
		return -1
	}
	step := int(position + 0.5)
	if d := position - float64(step); d < -0.05 || d > 0.05 {
		return -1
	}
	return step
}

func (p *csvParser) openGap(from, to int) {
	p.gaps = append(p.gaps, Steps{from, to})
	for range to - from {
		p.levels.add(0)
		if p.peakWeighted != "" {
			p.peaks.add(0)
		}
	}
}

func (p *csvParser) finish() (*Return, error) {
	if p.out.Rows == 0 {
		return nil, p.fail(1, "there is no level after the column row; download the return again")
	}
	if p.out.Rows >= 4 && 2*len(p.gaps) > p.out.Rows {
		return nil, p.fail(1, "most rows are not %v s after the one before; correct step_s in the header", p.out.History.StepSeconds)
	}
	p.out.History.Levels, p.out.History.Gaps = p.levels.levels, p.gaps
	for _, name := range p.names {
		if strings.HasPrefix(name, "peak_") {
			p.out.Peaks = &Peaks{p.peakWeighted, p.peaks.levels}
		}
	}
	return &p.out, nil
}

// decimal reads a plain decimal number in millionths, rounding what is finer; what says why it cannot, or is empty.
func decimal(s string) (millionths int64, what string) {
	if s == "" {
		return 0, "the value is missing; leave rows out that were not measured"
	}
	if strings.IndexByte(s, ',') >= 0 || strings.IndexByte(s, '"') >= 0 || strings.IndexByte(s, ';') >= 0 {
		return 0, fmt.Sprintf("%q: numbers stand without quotes, with a point before decimals and a comma between columns", short(s))
	}
	digits := strings.TrimPrefix(s, "-")
	whole, part, point := strings.Cut(digits, ".")
	if whole == "" || len(whole) > 9 || len(part) > 18 || point && part == "" || !isDigits(whole) || !isDigits(part) {
		return 0, fmt.Sprintf("%q is not a plain decimal number like 72.1; leave rows out that were not measured", short(s))
	}
	for _, c := range []byte(whole) {
		millionths = millionths*10 + int64(c-'0')
	}
	for i := range 6 {
		millionths *= 10
		if i < len(part) {
			millionths += int64(part[i] - '0')
		}
	}
	if len(part) > 6 && part[6] >= '5' {
		millionths++
	}
	if digits != s {
		millionths = -millionths
	}
	return millionths, ""
}

func isDigits(s string) bool {
	for _, c := range []byte(s) {
		if c < '0' || c > '9' {
			return false
		}
	}
	return true
}

// short cuts foreign text for a message.
func short(s string) string {
	if runes := []rune(s); len(runes) > 40 {
		return string(runes[:40]) + "..."
	}
	return s
}

// WriteCSV writes a return in kitd's CSV form. A history with gaps gets the column t_s. Texts may not hold line ends.
func WriteCSV(w io.Writer, r Return) error {
	if err := r.History.Check(); err != nil {
		return err
	}
	if r.Peaks != nil && r.Peaks.Levels.Len() != r.History.Levels.Len() {
		return badInput("the peaks are not one a step")
	}
	out := bufio.NewWriter(w)
	fmt.Fprintf(out, "# kitd-csv: 1\n")
	for _, line := range r.headerLines() {
		if strings.ContainsAny(line, "\r\n") {
			return badInput("the header text %q holds a line end", short(line))
		}
		fmt.Fprintf(out, "# %s\n", line)
	}
	timed := len(r.History.Gaps) > 0
	columns := "level_db"
	if timed {
		columns = "t_s,level_db"
	}
	if r.Peaks != nil {
		columns += ",peak_db"
	}
	fmt.Fprintln(out, columns)
	for _, s := range r.History.measured() {
		for i := s.From; i < s.To; i++ {
			r.writeRow(out, i, timed)
		}
	}
	return out.Flush()
}

func (r Return) headerLines() []string {
	var lines []string
	add := func(key, val string) {
		if val != "" {
			lines = append(lines, key+": "+val)
		}
	}
	add("unit", r.Unit)
	add("serial", r.Serial)
	if !r.Start.IsZero() {
		add("start", r.Start.Format(time.RFC3339Nano))
	}
	add("step_s", plain(int64(r.History.StepSeconds*microPerDB+0.5), microPerDB))
	add("quantity", string(r.History.Quantity))
	add("weighting", "A")
	if r.Peaks != nil {
		add("peak_weighting", r.Peaks.Weighting)
	}
	for _, n := range r.Notes {
		add("note", n)
	}
	return lines
}

func (r Return) writeRow(out *bufio.Writer, i int, timed bool) {
	if timed {
		out.WriteString(plain(int64(float64(i)*r.History.StepSeconds*microPerDB+0.5), microPerDB))
		out.WriteByte(',')
	}
	out.WriteString(plain(int64(r.History.Levels.steps(i)), r.History.Levels.PerDB))
	if r.Peaks != nil {
		out.WriteByte(',')
		out.WriteString(plain(int64(r.Peaks.Levels.steps(i)), r.Peaks.Levels.PerDB))
	}
	out.WriteByte('\n')
}

// plain writes n/per, per being a power of ten, as a plain decimal without needless zeros.
func plain(n int64, per int) string {
	whole, part := n/int64(per), n%int64(per)
	if part == 0 {
		return strconv.FormatInt(whole, 10)
	}
	digits := strconv.FormatInt(part+int64(per), 10)[1:]
	return strconv.FormatInt(whole, 10) + "." + strings.TrimRight(digits, "0")
}
