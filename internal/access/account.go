package access

import (
	"net/mail"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"golang.org/x/text/language"
	"golang.org/x/text/secure/precis"

	"kitd/internal/fault"
	"kitd/internal/ident"
)

// Account is somebody who may use kitd. Its password is kept apart and never leaves the store but for checking.
type Account struct {
	ID          ident.ID   `json:"id"`
	Version     int        `json:"version"` // counts from 1; every change adds one
	Name        string     `json:"-"`       // what is typed to log in; unique without regard to case; often a person's name, so it stays out of the chain
	Display     string     `json:"-"`       // how people are shown; as the name
	Mail        string     `json:"-"`       // address reminders go to and invitations come from; empty: none
	Role        Role       `json:"role"`
	Locale      string     `json:"locale"` // BCP 47 language tag
	Zone        string     `json:"zone"`   // IANA time zone
	Disabled    bool       `json:"disabled"`
	AllClients  bool       `json:"all_clients"` // sees the data of every client
	Clients     []ident.ID `json:"clients"`     // the clients it is assigned to, sorted
	HasPassword bool       `json:"has_password"`
	Created     time.Time  `json:"created"`
}

// Scope is what the account sees.
func (a Account) Scope() Scope { return Scope{All: a.AllClients, Clients: a.Clients} }

// Location is the account's time zone; UTC when the zone is unknown on this machine.
func (a Account) Location() *time.Location {
	if loc, err := time.LoadLocation(a.Zone); err == nil {
		return loc
	}
	return time.UTC
}

// Roles lists the roles from the least to the most.
func Roles() []Role { return []Role{Viewer, Surveyor, Coordinator, Administrator} }

// Covers reports whether the role allows everything that other allows. Unknown roles cover nothing.
func (r Role) Covers(other Role) bool {
	mine, theirs := slices.Index(Roles(), r), slices.Index(Roles(), other)
	return mine >= 0 && theirs >= 0 && mine >= theirs
}

// Known reports whether the role is one of the four.
func (r Role) Known() bool { return slices.Contains(Roles(), r) }

// lesser is the role that allows only what both allow.
func lesser(a, b Role) Role {
	if a.Covers(b) {
		return b
	}
	return a
}

// Limits of what is typed in.
const (
	MaxName     = 64  // characters of a login name
	MaxDisplay  = 120 // characters of a display name
	MaxLabel    = 80  // characters of the label of an app password or token
	MinPassword = 10  // characters of a password
	MaxPassword = 256 // characters of a password
)

// FoldName gives the form in which login names are compared: RFC 8265, section 3.3 (UsernameCaseMapped).
func FoldName(name string) (string, error) {
	folded, err := precis.UsernameCaseMapped.String(strings.TrimSpace(name))
	if err != nil || folded == "" || utf8.RuneCountInString(folded) > MaxName || strings.ContainsAny(folded, "/:\\\"") {
		return "", badName()
	}
	return folded, nil
}

func badName() *fault.Error {
	return fault.New(fault.BadInput, "what", "the login name").
		At("name", "A login name has 1 to 64 letters, digits and signs such as . _ - @, without spaces, colons, quotes and slashes.")
}

// check mends what may be mended (blanks around texts, order of clients) and refuses the rest, naming every field at once.
func (a *Account) check() error {
	bad := fault.New(fault.BadInput, "what", "the account")
	if _, err := FoldName(a.Name); err != nil {
		bad.Fields = append(bad.Fields, fault.Of(err).Fields...)
	}
	a.Name = strings.TrimSpace(a.Name)
	a.Display = strings.TrimSpace(a.Display)
	if a.Display == "" {
		a.Display = a.Name
	}
	if utf8.RuneCountInString(a.Display) > MaxDisplay || !printable(a.Display) {
		bad.At("display", "The display name is one line of at most 120 characters.")
	}
	if a.Mail = strings.TrimSpace(a.Mail); a.Mail != "" && !address(a.Mail) {
		bad.At("mail", "Write one mail address such as ida@example.org, or leave it empty.")
	}
	if !a.Role.Known() {
		bad.At("role", "Choose administrator, coordinator, surveyor or viewer.")
	}
	a.checkPlace(bad)
	slices.SortFunc(a.Clients, func(x, y ident.ID) int { return strings.Compare(string(x[:]), string(y[:])) })
	a.Clients = slices.Compact(a.Clients)
	if len(bad.Fields) > 0 {
		return bad
	}
	return nil
}

// address reports whether s is one bare address (RFC 5322, 3.4.1) within the length of RFC 5321, 4.5.3.1.
func address(s string) bool {
	parsed, err := mail.ParseAddress(s)
	return err == nil && parsed.Address == s && len(s) <= 254
}

func (a *Account) checkPlace(bad *fault.Error) {
	if a.Locale == "" {
		a.Locale = "en"
	}
	if _, err := language.Parse(a.Locale); err != nil {
		bad.At("locale", "Write the language as a tag such as en, en-GB or de.")
	}
	if a.Zone == "" {
		a.Zone = "UTC"
	}
	// "Local" would mean the zone of the server, whatever that is.
	if _, err := time.LoadLocation(a.Zone); err != nil || a.Zone == "Local" {
		bad.At("zone", "Write the time zone as a place such as Europe/London or America/Chicago.")
	}
}

func printable(s string) bool {
	return utf8.ValidString(s) && !strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r == 0x7f })
}
