package exchange

import (
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"strings"
	"unicode/utf8"

	"kitd/internal/fault"
	"kitd/internal/fleet"
)

// The limits of a table that is taken in.
const (
	MaxFile    = 16 << 20 // bytes of the file
	maxColumns = 100
	maxCell    = 4000     // bytes of a cell
	maxText    = 48 << 20 // bytes of all cells
)

// Read takes a table of the noun in, CSV or workbook by its content. Faults name rows and columns.
func Read(n Noun, r io.Reader) (*Table, error) {
	if !n.TakenIn() {
		return nil, fault.New(fault.BadInput, "what", "tables of "+string(n)+" are given out only; the fleet and certificates can be taken in")
	}
	data, err := io.ReadAll(io.LimitReader(r, MaxFile+1))
	if err != nil {
		return nil, fault.New(fault.UploadBroken, "name", "the table").Because(err)
	}
	if len(data) > MaxFile {
		return nil, fault.New(fault.TooLarge, "noun", "table", "limit", "16 MiB")
	}
	if len(bytes.TrimSpace(data)) == 0 {
		return nil, fault.New(fault.EmptyFile, "name", "of the table")
	}
	b := builder{t: &Table{Noun: n, at: map[string]int{}}}
	if bytes.HasPrefix(data, []byte("PK\x03\x04")) {
		b.book = true
		err = readBook(data, &b)
	} else {
		err = readCSV(data, &b)
	}
	if err != nil {
		return nil, err
	}
	return b.done()
}

// builder turns rows of cells, headings first, into a table.
type builder struct {
	t     *Table
	f     faults
	heads []string // by place in the file
	place []int    // column of the file → place in Line.Cells; -1: none
	text  int
	cols  []Column // by place in the file
	book  bool
}

// errStop ends the reading of a file whose fault is noted already.
var errStop = errors.New("stop reading")

// row takes the next row; rows without any text are left out.
func (b *builder) row(number int, cells []string) error {
	for len(cells) > 0 && strings.TrimSpace(cells[len(cells)-1]) == "" {
		cells = cells[:len(cells)-1]
	}
	if len(cells) == 0 {
		return nil
	}
	if len(cells) > maxColumns {
		b.f.bad("row "+itoa(number), "has %d columns; a table has at most %d", len(cells), maxColumns)
		return errStop
	}
	if b.heads == nil {
		return b.headings(number, cells)
	}
	if len(b.t.Lines) >= fleet.MaxRows {
		b.f.bad("row "+itoa(number), "is beyond the %d rows that are taken at once; split the table", fleet.MaxRows)
		return errStop
	}
	if len(cells) > len(b.heads) {
		b.f.bad("row "+itoa(number), "has %d cells and the headings are %d; a text that holds the separator stands in quotes", len(cells), len(b.heads))
		return nil
	}
	line := Line{Row: number, Cells: make([]string, len(b.t.at))}
	for i, c := range cells {
		if text, ok := b.cell(number, b.heads[i], c); ok {
			if b.book {
				text = plain(b.cols[i], text)
			}
			line.Cells[b.place[i]] = text
			b.text += len(text)
		}
	}
	if b.text > maxText {
		b.f.bad("row "+itoa(number), "is where the table grows beyond 48 MiB of text; split it")
		return errStop
	}
	b.t.Lines = append(b.t.Lines, line)
	return nil
}

func (b *builder) cell(row int, head, text string) (string, bool) {
	switch {
	case len(text) > maxCell:
		b.f.bad(place(row, head), "holds %d bytes; at most %d fit into a cell", len(text), maxCell)
	case !utf8.ValidString(text):
		b.f.bad(place(row, head), "is not UTF-8 text; save the table as UTF-8, or as a workbook")
	case strings.ContainsRune(text, 0):
		b.f.bad(place(row, head), "holds a NUL character; remove it")
	default:
		return strings.TrimSpace(Unguard(strings.TrimSpace(text))), true
	}
	return "", false
}

// headings finds the columns by their names, in any order and case.
func (b *builder) headings(number int, cells []string) error {
	byName := map[string]Column{}
	var names []string
	for _, c := range b.t.Noun.Columns() {
		byName[fleet.FoldTag(c.Name)] = c
		names = append(names, c.Name)
	}
	for i, text := range cells {
		name := strings.Join(strings.Fields(strings.ReplaceAll(text, "_", " ")), " ")
		c, known := byName[fleet.FoldTag(name)]
		at := "row " + itoa(number) + ", column " + letters(i)
		switch {
		case !utf8.ValidString(text):
			b.f.bad(at, "is not UTF-8 text; save the table as UTF-8, or as a workbook")
		case !known:
			b.f.bad(at, "is headed %q, which is no column of this table; remove the column or use one of: %s", clip(text), strings.Join(names, ", "))
		case b.t.Has(c.Field):
			b.f.bad(at, "is headed %q, as a column before it; keep one", c.Name)
		default:
			b.t.at[c.Field] = i
		}
		b.heads, b.place, b.cols = append(b.heads, c.Name), append(b.place, i), append(b.cols, c)
	}
	for _, c := range b.t.Noun.Columns() {
		if c.Needed && !b.t.Has(c.Field) {
			b.f.bad("row "+itoa(number), "lacks the column %q; add it, headings stand in the first row", c.Name)
		}
	}
	if len(b.f.fields) > 0 {
		return errStop
	}
	return nil
}

func (b *builder) done() (*Table, error) {
	if b.heads == nil {
		b.f.bad("row 1", "has no headings; the first row names the columns")
	}
	return b.t, b.f.err()
}

// clip shortens a text for a fault.
func clip(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return s
}

// letters names a column as spreadsheets do: A, B, … Z, AA.
func letters(i int) string {
	s := ""
	for i++; i > 0; i = (i - 1) / 26 {
		s = string(rune('A'+(i-1)%26)) + s
	}
	return s
}

// readCSV reads comma, semicolon or tab separated text. Which it is the headings show: none of them holds such a character.
func readCSV(data []byte, b *builder) error {
	if bytes.HasPrefix(data, []byte{0xff, 0xfe}) || bytes.HasPrefix(data, []byte{0xfe, 0xff}) {
		b.f.bad("row 1", "is UTF-16 text; save the table as UTF-8, or as a workbook")
		return b.f.err()
	}
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	r := csv.NewReader(bytes.NewReader(data))
	r.Comma, r.FieldsPerRecord = separator(data), -1
	row, next := 0, 1 // next: the line on which a row would begin if none were blank
	for {
		cells, err := r.Read()
		if err == io.EOF {
			return nil
		}
		var broken *csv.ParseError
		if errors.As(err, &broken) {
			b.f.bad("line "+itoa(broken.StartLine)+", character "+itoa(broken.Column), "cannot be read as CSV (%v); a text that holds quotes doubles them and stands in quotes", broken.Err)
			return b.f.err()
		}
		if err != nil {
			return fault.New(fault.BadInput, "what", "the table cannot be read as CSV").Because(err)
		}
		line, _ := r.FieldPos(0)
		row += 1 + line - next
		next = line + 1
		for _, c := range cells {
			next += strings.Count(c, "\n")
		}
		if err := b.row(row, cells); err == errStop {
			return b.f.err()
		} else if err != nil {
			return err
		}
	}
}

// separator finds the separator in the line of headings.
func separator(data []byte) rune {
	head := strings.TrimLeft(string(data), "\r\n")
	head, _, _ = strings.Cut(head, "\n")
	for _, s := range []string{"\t", ";"} {
		if strings.Contains(head, s) {
			return rune(s[0])
		}
	}
	return ','
}
