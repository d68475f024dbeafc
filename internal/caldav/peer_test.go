package caldav_test

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"kitd/internal/kittest"
	"kitd/internal/schedule"
)

func program(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	kittest.Peer(t, err == nil, name)
	return path
}

// desktop is a surveyor's computer: vdirsyncer carries the calendar of kit K-1 to and fro, khal shows and writes it.
type desktop struct {
	t    *testing.T
	home string
	dir  string // the calendar's files
}

func newDesktop(t *testing.T, url, password string) *desktop {
	t.Helper()
	program(t, "vdirsyncer")
	program(t, "khal")
	d := &desktop{t: t, home: t.TempDir()}
	d.dir = filepath.Join(d.home, "calendars", "K-1")
	d.write(".config/vdirsyncer/config", fmt.Sprintf(`
[general]
status_path = "%[1]s/status"
[pair kits]
a = "local"
b = "kitd"
collections = ["K-1"]
conflict_resolution = "b wins"
[storage local]
type = "filesystem"
path = "%[1]s/calendars"
fileext = ".ics"
[storage kitd]
type = "caldav"
url = "%[2]s/"
username = "ada"
password = "%[3]s"
`, d.home, url, password))
	d.write(".config/khal/config", fmt.Sprintf(`
[calendars]
[[kit]]
path = %s
[locale]
local_timezone = Europe/Berlin
default_timezone = Europe/Berlin
timeformat = %%H:%%M
dateformat = %%Y-%%m-%%d
longdateformat = %%Y-%%m-%%d
datetimeformat = %%Y-%%m-%%d %%H:%%M
longdatetimeformat = %%Y-%%m-%%d %%H:%%M
[default]
default_calendar = kit
`, d.dir))
	if err := os.MkdirAll(d.dir, 0o700); err != nil {
		t.Fatal(err)
	}
	d.must("vdirsyncer", "discover", "--no-list")
	return d
}

func (d *desktop) write(name, text string) {
	d.t.Helper()
	path := filepath.Join(d.home, name)
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		d.t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		d.t.Fatal(err)
	}
}

func (d *desktop) run(name string, args ...string) (string, error) {
	d.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, name, args...)
	cmd.Env = []string{"HOME=" + d.home, "PATH=" + os.Getenv("PATH"), "LANG=C.UTF-8", "TZ=Europe/Berlin", "XDG_CONFIG_HOME=" + d.home + "/.config", "XDG_DATA_HOME=" + d.home + "/.data", "XDG_CACHE_HOME=" + d.home + "/.cache"}
	cmd.Stdin = strings.NewReader("y\ny\ny\ny\n")
	out, err := cmd.CombinedOutput()
	return string(out), err
}

func (d *desktop) must(name string, args ...string) string {
	d.t.Helper()
	out, err := d.run(name, args...)
	if err != nil {
		d.t.Fatalf("%s %v: %v\n%s", name, args, err, out)
	}
	return out
}

func (d *desktop) sync() { d.t.Helper(); d.must("vdirsyncer", "sync") }

// list is what khal shows of March 2026.
func (d *desktop) list() string {
	d.t.Helper()
	return d.must("khal", "list", "--format", "{start-long} {end-time} {title}", "--day-format", "", "2026-03-01", "31d")
}

// file finds the file of the event with the title.
func (d *desktop) file(title string) string {
	d.t.Helper()
	names, err := filepath.Glob(d.dir + "/*.ics")
	if err != nil {
		d.t.Fatal(err)
	}
	for _, n := range names {
		raw, err := os.ReadFile(n)
		if err != nil {
			d.t.Fatal(err)
		}
		if strings.Contains(string(raw), "SUMMARY:"+title) {
			return n
		}
	}
	d.t.Fatalf("no event %q in %v", title, names)
	return ""
}

func (w *world) live() []schedule.Booking {
	w.mu.Lock()
	defer w.mu.Unlock()
	var out []schedule.Booking
	for _, b := range w.bookings {
		if b.Live() {
			out = append(out, b)
		}
	}
	return out
}

// vdirsyncer and khal against kitd: create, move from either side, clash, delete, and an answer lost on the way.
func TestPeerVdirsyncerAndKhal(t *testing.T) {
	w := newWorld(t)
	var lose atomic.Bool
	front := httptest.NewServer(http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodPut && lose.CompareAndSwap(true, false) {
			w.handler.ServeHTTP(httptest.NewRecorder(), r) // stored, but the answer never arrives
			panic(http.ErrAbortHandler)
		}
		w.handler.ServeHTTP(rw, r)
	}))
	t.Cleanup(front.Close)
	d := newDesktop(t, front.URL, password)

	// Created on the desktop.
	d.must("khal", "new", "2026-03-09", "08:00", "16:00", "Foundry")
	d.sync()
	live := w.live()
	if len(live) != 1 || live[0].Title != "Foundry" || live[0].Occurrences[0].FromCivil != (schedule.Civil{Local: "2026-03-09T08:00:00", Zone: "Europe/Berlin"}) {
		t.Fatalf("%+v", live)
	}
	uid := live[0].Calendar.UID

	// Moved by another door.
	w.byWeb(uid, func(b *schedule.Booking) {
		o := &b.Occurrences[0]
		o.Span.From, o.Span.To = o.Span.From.Add(24*time.Hour), o.Span.To.Add(24*time.Hour)
		o.FromCivil.Local, o.ToCivil.Local = "2026-03-10T08:00:00", "2026-03-10T16:00:00"
		b.Calendar.Raw = nil
	})
	d.sync()
	if got := d.list(); !strings.Contains(got, "2026-03-10 08:00 16:00 Foundry") || strings.Contains(got, "2026-03-09") {
		t.Errorf("khal shows\n%s", got)
	}

	// Moved on the desktop.
	name := d.file("Foundry")
	raw, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, []byte(strings.ReplaceAll(string(raw), "20260310T", "20260311T")), 0o600); err != nil {
		t.Fatal(err)
	}
	d.sync()
	if live = w.live(); len(live) != 1 || live[0].Occurrences[0].Span.From.Format(time.DateOnly) != "2026-03-11" {
		t.Errorf("%+v", live)
	}

	// A clash is refused, said, and not stored; what stands is untouched.
	w.call("PUT", "/caldav/kits/K-1/ben.ics", ics("ben", "Sawmill", day(13, 7, 15)...), "As: ben").want(http.StatusCreated)
	d.must("khal", "new", "2026-03-13", "10:00", "11:00", "Too late")
	out, err := d.run("vdirsyncer", "sync")
	if err == nil || !strings.Contains(out, "409") {
		t.Errorf("the clash went by: %v\n%s", err, out)
	}
	for _, b := range w.live() {
		if b.Title == "Too late" {
			t.Error("what was refused is stored")
		}
	}
	if err := os.Remove(d.file("Too late")); err != nil {
		t.Fatal(err)
	}
	d.sync()
	if got := d.list(); !strings.Contains(got, "Sawmill") {
		t.Errorf("khal shows\n%s", got)
	}

	// An answer lost on the way: the next synchronization finds one booking, not two, and no conflict.
	lose.Store(true)
	d.must("khal", "new", "2026-03-16", "08:00", "16:00", "Print shop")
	if out, err := d.run("vdirsyncer", "sync"); err == nil {
		t.Errorf("the lost answer went unnoticed\n%s", out)
	}
	d.sync()
	d.sync()
	if n := len(w.live()); n != 3 {
		t.Errorf("%d bookings, want 3", n)
	}

	// Deleted on the desktop: given up.
	if err := os.Remove(d.file("Foundry")); err != nil {
		t.Fatal(err)
	}
	d.sync()
	for _, b := range w.live() {
		if b.Calendar.UID == uid {
			t.Error("the booking stands although its event was deleted")
		}
	}
}

const caldavScript = `
import sys, datetime, caldav
from caldav.lib import error
url, password = sys.argv[1:]
utc = datetime.timezone.utc
at = lambda d, h: datetime.datetime(2026, 3, d, h, tzinfo=utc)
client = caldav.DAVClient(url=url + "/caldav/", username="ada", password=password)
principal = client.principal()
names = {c.url.path: c for c in principal.calendars()}
assert len(names) == 3, names
cal = names["/caldav/kits/K-1/"]
assert cal.get_supported_components() == ["VEVENT"], cal.get_supported_components()

made = cal.save_event(dtstart=at(9, 8), dtend=at(9, 16), summary="Foundry")
series = cal.save_event(dtstart=at(12, 8), dtend=at(12, 9), summary="Weekly", rrule={"FREQ": "WEEKLY", "COUNT": 3})
assert len(cal.events()) == 2
assert cal.event_by_uid(made.id).url == made.url

found = cal.date_search(start=at(9, 15), end=at(9, 17), expand=False)
assert [f.vobject_instance.vevent.summary.value for f in found] == ["Foundry"], found
assert cal.date_search(start=at(9, 16), end=at(9, 17), expand=False) == []
inst = cal.date_search(start=at(18, 0), end=at(28, 0), expand=True)
starts = [e.vobject_instance.vevent.dtstart.value for e in inst]
assert starts == [at(19, 8), at(26, 8)] or [c["DTSTART"].dt for e in inst for c in e.icalendar_instance.subcomponents] == [at(19, 8), at(26, 8)], starts

objects = cal.objects(load_objects=True)
token = objects.sync_token
made.data = made.data.replace("20260309T", "20260310T")
made.save()
changes = cal.objects_by_sync_token(token, load_objects=True)
assert [str(o.url.path) for o in changes] == [str(made.url.path)], list(changes)
assert changes.sync_token != token

for bad in (dict(dtstart=at(10, 10), dtend=at(10, 11)), dict(dtstart=at(20, 10), dtend=at(20, 9))):
    try:
        cal.save_event(summary="no", **bad)
    except error.DAVError as e:
        pass
    else:
        raise AssertionError("accepted: %r" % bad)
assert len(cal.events()) == 2
assert "kit" in cal.get_display_name().lower() or "case" in cal.get_display_name().lower()
series.delete()
made.delete()
assert cal.events() == []
gone = cal.objects_by_sync_token(changes.sync_token)
try:
    client.principal().make_calendar(name="x")
except (error.DAVError, Exception) as e:
    assert "403" in str(e) or isinstance(e, error.DAVError), e
else:
    raise AssertionError("a calendar was made")
busy = cal.freebusy_request(at(1, 0), at(30, 0))
assert "VFREEBUSY" in busy.data
print("all right")
`

// python3-caldav finds its way from the root to the kits and works a calendar through.
func TestPeerPythonCaldav(t *testing.T) {
	const interpreter = "/usr/bin/python3"
	err := exec.Command(interpreter, "-c", "import caldav, vobject").Run()
	kittest.Peer(t, err == nil, "python3-caldav")
	w := newWorld(t)
	out, err := exec.Command(interpreter, "-c", caldavScript, w.server.URL, password).CombinedOutput()
	if err != nil || !strings.HasSuffix(string(out), "all right\n") {
		t.Errorf("%v\n%s", err, out)
	}
}
