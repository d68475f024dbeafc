package exchange_test

import (
	"archive/zip"
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"runtime"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"
	"pgregory.net/rapid"

	"kitd/internal/civil"
	"kitd/internal/exchange"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
)

func clients(code string) (ident.ID, bool) {
	return ident.ID{1}, fleet.FoldTag(code) == "qui"
}

// texts are cells as people and their programs make them.
func texts() *rapid.Generator[string] {
	return rapid.Custom(func(t *rapid.T) string {
		head := rapid.SampledFrom([]string{"", "=", "+", "-", "@", "'", "''=", "'-", "\"", ";", ",", "Ü", "🎧", "مق", "\u200f"}).Draw(t, "head")
		s := strings.TrimSpace(head + rapid.StringMatching(`[A-Za-z0-9 ;,"'=äß界🎧]{0,30}`).Draw(t, "rest"))
		return s
	})
}

func TestGuardIsUndoneByUnguard(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.OneOf(rapid.String(), rapid.StringMatching(`'{0,3}[=+@\t-]?.{0,5}`)).Draw(t, "text")
		g := exchange.Guard(s)
		if exchange.Unguard(g) != s {
			t.Fatalf("%q became %q and then %q", s, g, exchange.Unguard(g))
		}
		if g != "" && strings.ContainsAny(g[:1], "=+-@\t\r\n") {
			t.Fatalf("%q is given out as %q, which a spreadsheet takes for a formula", s, g)
		}
	})
}

// What is given out is read back cell by cell, from CSV and from a workbook.
func TestSheetsAreReadBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := exchange.Sheet{Noun: exchange.Fleet}
		for i := range rapid.IntRange(1, 6).Draw(t, "rows") {
			row := []string{fmt.Sprintf("D-%d", i)}
			for range exchange.Fleet.Columns()[1:] {
				row = append(row, texts().Draw(t, "cell"))
			}
			s.Rows = append(s.Rows, row)
		}
		for name, write := range map[string]func(io.Writer, exchange.Sheet) error{"CSV": exchange.WriteCSV, "workbook": exchange.WriteBook} {
			var b bytes.Buffer
			if err := write(&b, s); err != nil {
				t.Fatal(err)
			}
			table, err := exchange.Read(exchange.Fleet, &b)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			back, _ := table.Sheet()
			if fmt.Sprintf("%q", back.Rows) != fmt.Sprintf("%q", s.Rows) {
				t.Fatalf("%s: wrote %q, read %q", name, s.Rows, back.Rows)
			}
			var again bytes.Buffer
			if err := table.Text(&again); err != nil {
				t.Fatal(err)
			}
			once, err := exchange.Read(exchange.Fleet, &again)
			if err != nil {
				t.Fatalf("%s: as text again: %v", name, err)
			}
			if same, _ := once.Sheet(); fmt.Sprintf("%q", same.Rows) != fmt.Sprintf("%q", s.Rows) {
				t.Fatalf("%s: as text again it reads %q", name, same.Rows)
			}
		}
	})
}

func TestFiguresAreReadBackExactly(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(-60, 60).Draw(t, "deviation")
		x := fleet.Certificate{Number: "KL-1", Calibrated: civil.Date{Year: 2026, Month: 1, Day: 12}, Lines: []fleet.Line{{Verdict: fleet.Pass, AsFoundDB: &v, CoverageK: 2}}}
		for name, write := range map[string]func(io.Writer, exchange.Sheet) error{"CSV": exchange.WriteCSV, "workbook": exchange.WriteBook} {
			var b bytes.Buffer
			names := exchange.Names{Labs: map[ident.ID]string{{}: "Sedge"}, Units: map[ident.ID]string{{}: "D-1"}}
			if err := write(&b, exchange.CertificateSheet([]fleet.Certificate{x}, names)); err != nil {
				t.Fatal(err)
			}
			table, err := exchange.Read(exchange.Certificates, &b)
			if err != nil {
				t.Fatal(err)
			}
			rows, err := table.CertificateRows()
			if err != nil || *rows[0].AsFoundDB.Value != v || rows[0].Calibrated != x.Calibrated || rows[0].AsLeftDB.Value != nil || !rows[0].AsLeftDB.Told {
				t.Fatalf("%s: %v became %+v, %v", name, v, rows, err)
			}
		}
	})
}

func wantPlaces(t *testing.T, name string, err error, holds ...string) {
	t.Helper()
	if k := fault.KindOf(err); err == nil || k != fault.Invalid {
		t.Errorf("%s: %v", name, err)
		return
	}
	for _, part := range holds {
		if !strings.Contains(err.Error(), part) {
			t.Errorf("%s: %v does not say %q", name, err, part)
		}
	}
}

func TestFilesAsProgramsSaveThem(t *testing.T) {
	for name, text := range map[string]string{
		"commas":        "tag,model\nD-1,Wick\n",
		"mark, CRLF":    "\xef\xbb\xbfTag,MODEL\r\nD-1,Wick\r\n",
		"semicolons":    "tag;model\nD-1;Wick",
		"tabs":          "model\ttag\nWick\tD-1\n\n\n",
		"quotes":        "\"tag\",\"model\"\n\"D-1\",\"Wick\"\n",
		"empty columns": "tag,model,,\nD-1,Wick,,\n,,,\n",
	} {
		table, err := exchange.Read(exchange.Fleet, strings.NewReader(text))
		if err != nil || len(table.Lines) != 1 || table.Cell(table.Lines[0], "tag") != "D-1" || table.Cell(table.Lines[0], "model") != "Wick" || table.Has("kit") {
			t.Errorf("%s: %+v, %v", name, table, err)
		}
	}
}

func TestRowsAreCountedAsSpreadsheetsDo(t *testing.T) {
	_, err := exchange.Read(exchange.Fleet, strings.NewReader("tag,model\n\nD-1,\"two\nlines\"\nD-2,x,y,z\n"))
	wantPlaces(t, "after a blank line and a cell of two lines", err, "row 4", "4 cells")
}

func TestFilesThatCannotBeRead(t *testing.T) {
	long := strings.Repeat("x", 4001)
	for name, c := range map[string]struct{ text, says string }{
		"UTF-16":      {"\xff\xfet\x00a\x00g\x00", "UTF-16"},
		"Latin-1":     {"tag,model\nD-\xe4,x\n", "row 2, column tag"},
		"NUL":         {"tag,model\nD\x00,x\n", "NUL"},
		"open quote":  {"tag,model\n\"D-1,x\n", "line 2"},
		"long cell":   {"tag,model\nD-1," + long + "\n", "row 2, column model"},
		"twice":       {"tag,Tag\nD-1,D-2\n", "row 1, column B"},
		"unknown":     {"tag,colour\nD-1,red\n", `headed "colour"`},
		"no tag":      {"model\nWick\n", `lacks the column "tag"`},
		"many cells":  {"tag" + strings.Repeat(",", 150) + "x\n", "151 columns"},
		"only blanks": {",,\n", "no headings"},
		"old book":    {"PK\x03\x04xxxx", "workbook"},
	} {
		_, err := exchange.Read(exchange.Fleet, strings.NewReader(c.text))
		wantPlaces(t, name, err, c.says)
	}
	_, err := exchange.Read(exchange.Fleet, strings.NewReader(" \n"))
	if !fault.Is(err, fault.EmptyFile) {
		t.Errorf("an empty file: %v", err)
	}
	_, err = exchange.Read(exchange.Fleet, io.LimitReader(endless{}, exchange.MaxFile+1))
	if !fault.Is(err, fault.TooLarge) {
		t.Errorf("a file over the limit: %v", err)
	}
}

// endless is the letter x for ever.
type endless struct{}

func (endless) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = 'x'
	}
	return len(p), nil
}

func TestTooManyRowsAreRefused(t *testing.T) {
	var b strings.Builder
	b.WriteString("tag\n")
	for i := range fleet.MaxRows + 1 {
		fmt.Fprintf(&b, "D-%d\n", i)
	}
	_, err := exchange.Read(exchange.Fleet, strings.NewReader(b.String()))
	wantPlaces(t, "one row too many", err, fmt.Sprintf("row %d", fleet.MaxRows+2), "split the table")
}

func TestNothingIsGuessed(t *testing.T) {
	const heads = "certificate number;laboratory;calibration date;tag;verdict;as found dB\n"
	for cells, says := range map[string]string{
		"K;L;12/01/2026;D-1;pass;":        "row 2, column calibration date: is \"12/01/2026\"; write the day as year-month-day",
		"K;L;12.01.2026;D-1;pass;":        "column calibration date",
		"K;L;46034;D-1;pass;":             "column calibration date", // a number is a day in workbooks only
		"K;L;2026-02-30;D-1;pass;":        "column calibration date",
		"K;L;;D-1;pass;":                  "row 2, column calibration date: is empty",
		"K;L;2026-01-12;D-1;pass;0,12":    "row 2, column as found dB: is \"0,12\"; write a decimal point: 0.12",
		"K;L;2026-01-12;D-1;pass;1.000,5": "write a number such as",
		"K;L;2026-01-12;D-1;pass;1e3":     "write a number such as",
		"K;L;2026-01-12;D-1;pass;NaN":     "write a number such as",
		"K;L;2026-01-12;D-1;;0.1":         "row 2, column verdict: is empty",
	} {
		table, err := exchange.Read(exchange.Certificates, strings.NewReader(heads+cells+"\n"))
		if err != nil {
			t.Fatal(err)
		}
		_, err = table.CertificateRows()
		wantPlaces(t, cells, err, says)
	}
	table, err := exchange.Read(exchange.Fleet, strings.NewReader("tag,client\nD-1,qui\nD-2,other\n"))
	if err != nil {
		t.Fatal(err)
	}
	rows, err := table.Units(clients)
	wantPlaces(t, "an unknown client", err, "row 3, column client: is \"other\"")
	if rows[0].Client.Value.IsZero() {
		t.Error("the client of row 2 was not found")
	}
}

func TestDayCellsOfWorkbooksAreDays(t *testing.T) {
	f := excelize.NewFile()
	for cell, v := range map[string]any{"A1": "tag", "B1": "hire from", "C1": "serial number", "A2": "D-1", "B2": 46034, "C2": 4711, "A3": "D-2", "B3": 3} {
		if err := f.SetCellValue("Sheet1", cell, v); err != nil {
			t.Fatal(err)
		}
	}
	b, err := f.WriteToBuffer()
	if err != nil {
		t.Fatal(err)
	}
	table, err := exchange.Read(exchange.Fleet, b)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := table.Units(clients)
	// ECMA-376 part 1, 18.17.4.1: day 1 is 1 January 1900 and 29 February 1900 is counted, so that 46034 is 12 January 2026.
	if got := rows[0].HireFrom.Value; got != (civil.Date{Year: 2026, Month: 1, Day: 12}) || rows[0].Serial.Value != "4711" {
		t.Errorf("day %s, serial %q", got, rows[0].Serial.Value)
	}
	wantPlaces(t, "a number that is no day", err, "row 3, column hire from")
}

// bookParts are the parts of a workbook of one sheet, without the sheet.
var bookParts = map[string]string{
	"[Content_Types].xml":        `<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"><Override PartName="/xl/workbook.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/></Types>`,
	"_rels/.rels":                `<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="r1" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/officeDocument" Target="xl/workbook.xml"/></Relationships>`,
	"xl/workbook.xml":            `<workbook xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main" xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships"><sheets><sheet name="a" sheetId="1" r:id="r1"/></sheets></workbook>`,
	"xl/_rels/workbook.xml.rels": `<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="r1" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/worksheet" Target="worksheets/sheet1.xml"/><Relationship Id="r2" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/sharedStrings" Target="sharedStrings.xml"/></Relationships>`,
}

const sheetHead = `<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>`

// zipped packs a workbook with the sheet and the shared strings that are written last.
func zipped(t testing.TB, strings string, sheet func(io.Writer) error) []byte {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	put := func(name string, write func(io.Writer) error) {
		w, err := z.Create(name)
		if err == nil {
			err = write(w)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	for name, text := range bookParts {
		put(name, func(w io.Writer) error { _, err := io.WriteString(w, text); return err })
	}
	if strings != "" {
		put("xl/sharedStrings.xml", func(w io.Writer) error { _, err := io.WriteString(w, strings); return err })
	}
	put("xl/worksheets/sheet1.xml", sheet)
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// bomb is a workbook whose sheet unpacks to n bytes. A liar says that it unpacks to 100.
func bomb(t *testing.T, n int64, liar bool) []byte {
	t.Helper()
	data := zipped(t, "", func(w io.Writer) error {
		_, err := io.WriteString(w, sheetHead+`<row r="1"><c r="A1" t="inlineStr"><is><t>`)
		if err == nil {
			_, err = io.CopyN(w, endless{}, n)
		}
		return err
	})
	if liar { // the size in the central directory, PKWARE APPNOTE 4.3.12, offset 24
		at := bytes.LastIndex(data, []byte("PK\x01\x02"))
		binary.LittleEndian.PutUint32(data[at+24:], 100)
	}
	return data
}

// Cells far out on a sheet are named by a few bytes and must not be laid out in memory.
func TestFarCellsAreRefused(t *testing.T) {
	for name, rows := range map[string]string{
		"far right":  `<row r="1"><c r="XFD1" t="inlineStr"><is><t>tag</t></is></c></row>`,
		"far down":   `<row r="1"><c r="A1" t="inlineStr"><is><t>tag</t></is></c></row><row r="1048576"><c r="A1048576" t="inlineStr"><is><t>D-1</t></is></c></row>`,
		"no such id": `<row r="1"><c r="A1" t="s"><v>99999999</v></c></row>`,
	} {
		_, err := exchange.Read(exchange.Fleet, bytes.NewReader(zipped(t, "", func(w io.Writer) error {
			_, err := io.WriteString(w, sheetHead+rows+"</sheetData></worksheet>")
			return err
		})))
		wantPlaces(t, name, err, "row")
	}
}

func TestAWorkbookThatUnpacksToGigabytesIsRefusedInLittleMemory(t *testing.T) {
	if testing.Short() {
		t.Skip("unpacks much")
	}
	for name, liar := range map[string]bool{"honest": false, "liar": true} {
		data := bomb(t, 2<<30, liar)
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, err := exchange.Read(exchange.Fleet, bytes.NewReader(data))
		runtime.ReadMemStats(&after)
		if fault.KindOf(err) != fault.Invalid || err == nil {
			t.Errorf("%s: %v", name, err)
		}
		// Everything allocated on the way, freed or not: the file itself a few times over.
		if used := after.TotalAlloc - before.TotalAlloc; used > uint64(8*len(data)+32<<20) {
			t.Errorf("%s: a file of %d bytes took %d bytes of memory", name, len(data), used)
		}
	}
}

func FuzzCSV(f *testing.F) {
	for _, s := range []string{"tag,model\nD-1,Wick\n", "\xef\xbb\xbftag;hire from\r\n\"D\n1\";2026-01-12\r\n", "tag\n'=1\n", "tag,x\n", "tag\n\"", "\xff\xfe"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if bytes.HasPrefix(data, []byte("PK\x03\x04")) {
			t.Skip("a workbook")
		}
		readTwice(t, data)
	})
}

func FuzzBook(f *testing.F) {
	f.Add(`<row r="1"><c r="A1" t="inlineStr"><is><t>tag</t></is></c><c r="B1" t="s"><v>0</v></c></row><row r="3"><c r="A3"><v>1E3</v></c><c r="B3"><v>46034</v></c></row>`, `<si><t>hire from</t></si>`)
	f.Add(`<row r="1"><c r="A1" t="str"><f>1+1</f><v>tag</v></c></row>`, `<si><r><t>a</t></r></si>`)
	f.Fuzz(func(t *testing.T, rows, shared string) {
		data := zipped(t, `<sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">`+shared+"</sst>", func(w io.Writer) error {
			_, err := io.WriteString(w, sheetHead+rows+"</sheetData></worksheet>")
			return err
		})
		readTwice(t, data)
	})
}

// readTwice reads a table; one that can be read means the same when it is written and read again.
func readTwice(t *testing.T, data []byte) {
	for _, n := range []exchange.Noun{exchange.Fleet, exchange.Certificates} {
		table, err := exchange.Read(n, bytes.NewReader(data))
		if err != nil {
			if k := fault.KindOf(err); k != fault.Invalid {
				t.Fatalf("of kind %v: %v", k, err)
			}
			continue
		}
		var text bytes.Buffer
		if err := table.Text(&text); err != nil {
			t.Fatal(err)
		}
		again, err := exchange.Read(n, &text)
		if err != nil {
			t.Fatalf("what was read cannot be read again: %v", err)
		}
		a, told := table.Sheet()
		b, toldAgain := again.Sheet()
		if fmt.Sprintf("%q %q", a.Rows, told) != fmt.Sprintf("%q %q", b.Rows, toldAgain) {
			t.Fatalf("read %q, and again %q", a.Rows, b.Rows)
		}
	}
}
