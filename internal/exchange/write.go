package exchange

import (
	"encoding/csv"
	"io"
	"strconv"
)

func itoa(n int) string { return strconv.Itoa(n) }

// WriteCSV writes the sheet as CSV: UTF-8 with the mark by which spreadsheets know it, CRLF, commas.
func WriteCSV(w io.Writer, s Sheet) error {
	heads := make([]string, 0, len(s.Noun.Columns()))
	for _, c := range s.Noun.Columns() {
		heads = append(heads, c.Name)
	}
	return writeCSV(w, s, heads)
}

// Text is the table as it was understood, as CSV with the columns it has: Read takes it in again with the same meaning.
func (t *Table) Text(w io.Writer) error {
	s, told := t.Sheet()
	return writeCSV(w, s, told)
}

func writeCSV(w io.Writer, s Sheet, heads []string) error {
	if _, err := io.WriteString(w, "\xef\xbb\xbf"); err != nil {
		return err
	}
	figure := map[string]bool{}
	for _, c := range s.Noun.Columns() {
		figure[c.Name] = c.Figure
	}
	out := csv.NewWriter(w)
	out.UseCRLF = true
	if err := out.Write(heads); err != nil {
		return err
	}
	cells := make([]string, len(heads))
	for _, row := range s.Rows {
		for i, text := range row {
			if cells[i] = text; !figure[heads[i]] {
				cells[i] = Guard(text)
			}
		}
		if err := out.Write(cells); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}
