package itip

import (
	"strings"
	"time"
	"unicode"

	"golang.org/x/text/unicode/norm"

	"kitd/internal/fleet"
	"kitd/internal/ical"
	"kitd/internal/ident"
)

// anyPrefix stands before a depot's code in the address that means "any of this depot".
const anyPrefix = "any-"

// Target is what an address stands for: a kit, or any kits or units of a depot.
type Target struct {
	Kit     *fleet.Kit // nil: any of the depot
	Depot   fleet.Depot
	Address string // canonical, lower case
}

// ID names the target: the kit, or the depot.
func (t Target) ID() ident.ID {
	if t.Kit != nil {
		return t.Kit.ID
	}
	return t.Depot.ID
}

// Name is how people call it.
func (t Target) Name() string {
	if t.Kit != nil {
		return "Kit " + t.Kit.Code
	}
	return "Any kit of " + t.Depot.Name
}

// zone is the depot's, in which floating and all-day times are read.
func (t Target) zone() *time.Location {
	if loc := ical.Location(t.Depot.Zone); loc != nil {
		return loc
	}
	return time.UTC
}

// LocalPart makes the left side of an address from a code: letters and digits in lower case, accents taken off, everything
// else a hyphen, so that it is an ordinary dot-atom (RFC 5322, 3.2.3).
func LocalPart(code string) string {
	var b strings.Builder
	for _, r := range norm.NFD.String(strings.ToLower(code)) {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9':
			b.WriteRune(r)
		case unicode.Is(unicode.Mn, r):
		default:
			b.WriteByte('-')
		}
	}
	return strings.Trim(b.String(), "-")
}

// KitAddress is where a kit is invited.
func KitAddress(k fleet.Kit, domain string) string {
	return LocalPart(k.Code) + "@" + strings.ToLower(domain)
}

// DepotAddress is where any kits or dosimeters of a depot are invited.
func DepotAddress(d fleet.Depot, domain string) string {
	return anyPrefix + LocalPart(d.Code) + "@" + strings.ToLower(domain)
}

// places is what the directory reads.
type places interface {
	Depots() ([]fleet.Depot, error)
	Kits(depot ident.ID) ([]fleet.Kit, error)
}

// find looks an address up. An address that two things share stands for neither.
func find(s places, address, domain string) (Target, bool, error) {
	address = strings.ToLower(strings.TrimSpace(address))
	if at := strings.LastIndexByte(address, '@'); at < 1 || address[at+1:] != strings.ToLower(domain) {
		return Target{}, false, nil
	}
	depots, err := s.Depots()
	if err != nil {
		return Target{}, false, err
	}
	var all []Target
	for _, d := range depots {
		if DepotAddress(d, domain) == address {
			all = append(all, Target{Depot: d, Address: address})
		}
		kits, err := s.Kits(d.ID)
		if err != nil {
			return Target{}, false, err
		}
		for _, k := range kits {
			if KitAddress(k, domain) == address {
				all = append(all, Target{Kit: &k, Depot: d, Address: address})
			}
		}
	}
	if len(all) != 1 {
		return Target{}, false, nil
	}
	return all[0], true, nil
}
