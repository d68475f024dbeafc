package exchange

import (
	"archive/zip"
	"bytes"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/xuri/excelize/v2"

	"kitd/internal/civil"
	"kitd/internal/fault"
)

// The limits of a workbook once it is unpacked: its parts together, and the part that is read into memory at once. Larger sheets
// are read from a file that is removed again.
const (
	maxUnpacked = 64 << 20
	maxPart     = 4 << 20
	maxParts    = 500
	maxRow      = 200_000 // rows looked at, blank ones included
)

// readBook reads the first sheet of a workbook.
func readBook(data []byte, b *builder) (err error) {
	if err := unpacks(data); err != nil {
		return err
	}
	// The library reads what strangers made; a slip of it in a broken file is a fault of that file and not the end of the server.
	defer func() {
		if p := recover(); p != nil {
			err = unreadable(fmt.Errorf("panic: %v", p))
		}
	}()
	f, err := excelize.OpenReader(bytes.NewReader(data), excelize.Options{UnzipSizeLimit: maxUnpacked, UnzipXMLSizeLimit: maxPart, RawCellValue: true})
	if err != nil {
		return unreadable(err)
	}
	defer func() { _ = f.Close() }() // removes what was unpacked beside; the rows are read by then
	sheets := f.GetSheetList()
	if len(sheets) == 0 {
		return unreadable(fmt.Errorf("no sheet"))
	}
	rows, err := f.Rows(sheets[0])
	if err != nil {
		return unreadable(err)
	}
	defer func() { _ = rows.Close() }()
	for n := 1; rows.Next(); n++ {
		if n > maxRow {
			b.f.bad("row "+itoa(n), "is beyond the %d rows that are looked at; remove what stands further down", maxRow)
			return b.f.err()
		}
		cells, err := rows.Columns(excelize.Options{RawCellValue: true})
		if err != nil {
			return unreadable(err)
		}
		if err := b.row(n, cells); err == errStop {
			return b.f.err()
		} else if err != nil {
			return err
		}
	}
	if err := rows.Error(); err != nil {
		return unreadable(err)
	}
	return nil
}

// The days a number in a workbook can mean: from 1950 to 2200, counted from the end of 1899 (ECMA-376 part 1, 18.17.4.1).
const (
	firstSerial = 18264
	lastSerial  = 109575
)

// plain writes what a workbook holds as a number as it stands in CSV: its date cells as ISO dates, its figures without exponent.
func plain(c Column, text string) string {
	v, err := strconv.ParseFloat(text, 64)
	switch {
	case err != nil || math.IsInf(v, 0) || math.IsNaN(v):
	case c.Day && v == math.Trunc(v) && v >= firstSerial && v <= lastSerial:
		return civil.Of(time.Date(1899, 12, 30+int(v), 12, 0, 0, 0, time.UTC)).String()
	case c.Figure && strings.ContainsAny(text, "eE"):
		return decimal(&v)
	}
	return text
}

func unreadable(err error) error {
	return fault.New(fault.BadInput, "what", "the file cannot be read as a workbook; save it as .xlsx without a password, or as CSV").Because(err)
}

// unpacks looks at what the file says of its own size before anything is unpacked. A file that says too little is stopped by the
// reader of its parts, which gives no byte more than announced.
func unpacks(data []byte) error {
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		return unreadable(err)
	}
	var sum uint64
	for _, part := range z.File {
		sum += min(part.UncompressedSize64, maxUnpacked+1)
	}
	if sum > maxUnpacked || len(z.File) > maxParts {
		return fault.New(fault.TooLarge, "noun", "workbook, unpacked,", "limit", "64 MiB and 500 parts")
	}
	return nil
}

// WriteBook writes the sheet as a workbook: figures as numbers, everything else as text.
func WriteBook(w io.Writer, s Sheet) error {
	f := excelize.NewFile()
	defer func() { _ = f.Close() }()
	name := string(s.Noun)
	if err := f.SetSheetName("Sheet1", name); err != nil {
		return err
	}
	sw, err := f.NewStreamWriter(name)
	if err != nil {
		return err
	}
	columns := s.Noun.Columns()
	if err := sw.SetPanes(&excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}); err != nil {
		return err
	}
	if err := sw.SetColWidth(1, len(columns), 18); err != nil {
		return err
	}
	heads := make([]any, len(columns))
	for i, c := range columns {
		heads[i] = c.Name
	}
	if err := sw.SetRow("A1", heads); err != nil {
		return err
	}
	for i, row := range s.Rows {
		if err := sw.SetRow("A"+itoa(i+2), bookCells(columns, row)); err != nil {
			return err
		}
	}
	if err := sw.Flush(); err != nil {
		return err
	}
	return f.Write(w)
}

func bookCells(columns []Column, row []string) []any {
	cells := make([]any, len(row))
	for i, text := range row {
		v, err := strconv.ParseFloat(text, 64)
		short, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 15, 64), 64)
		switch {
		case text == "":
			cells[i] = nil
		case columns[i].Figure && err == nil && short == v: // a workbook keeps 15 digits of a number
			cells[i] = v
		case columns[i].Figure && err == nil:
			cells[i] = text
		default:
			cells[i] = Guard(text)
		}
	}
	return cells
}
