package caldav

import (
	"net/url"
	"strings"
	"unicode"
	"unicode/utf8"

	"kitd/internal/fault"
)

// The addresses. Every account has the same home, which lists the kits it may see.
const (
	rootPath      = "/caldav/"
	principalPath = "/caldav/principals/"
	homePath      = "/caldav/kits/"
)

type placeKind int

const (
	nowhere placeKind = iota
	rootPlace
	principalPlace
	homePlace
	kitPlace
	objectPlace
)

// place is what an address names, decoded.
type place struct {
	kind placeKind
	name string // of the principal's account, or of the object
	kit  string // code
}

// maxName bounds the name of an object, in bytes.
const maxName = 255

// parsePath reads an escaped path segment by segment, so that %2F is part of a name and + is a plus sign.
func parsePath(escaped string) (place, error) {
	rest, ok := strings.CutPrefix(escaped, "/caldav")
	if !ok || rest != "" && rest[0] != '/' {
		return place{}, fault.New(fault.NotThere, "noun", "calendar")
	}
	var parts []string
	for _, s := range strings.Split(strings.Trim(rest, "/"), "/") {
		part, err := url.PathUnescape(s)
		if err != nil || !utf8.ValidString(part) || part == "." || part == ".." || len(part) > maxName || strings.ContainsFunc(part, unicode.IsControl) {
			return place{}, fault.New(fault.NotThere, "noun", "calendar entry")
		}
		parts = append(parts, part)
	}
	p, ok := placeOf(parts, strings.HasSuffix(rest, "/"))
	if !ok {
		return place{}, fault.New(fault.NotThere, "noun", "calendar")
	}
	return p, nil
}

func placeOf(parts []string, slash bool) (place, bool) {
	n := len(parts)
	switch {
	case n == 1 && parts[0] == "":
		return place{kind: rootPlace}, true
	case n == 1 && parts[0] == "principals":
		return place{kind: rootPlace}, true
	case n == 2 && parts[0] == "principals" && parts[1] != "":
		return place{kind: principalPlace, name: parts[1]}, true
	case n == 1 && parts[0] == "kits":
		return place{kind: homePlace}, true
	case n == 2 && parts[0] == "kits" && parts[1] != "":
		return place{kind: kitPlace, kit: parts[1]}, true
	case n == 3 && parts[0] == "kits" && parts[1] != "" && parts[2] != "" && !slash:
		return place{kind: objectPlace, kit: parts[1], name: parts[2]}, true
	}
	return place{}, false
}

func (p place) allow() string {
	switch p.kind {
	case objectPlace:
		return "OPTIONS, GET, HEAD, PUT, DELETE, PROPFIND, PROPPATCH, REPORT"
	case kitPlace:
		return "OPTIONS, PROPFIND, PROPPATCH, REPORT"
	}
	return "OPTIONS, PROPFIND, PROPPATCH"
}

func principalHref(account string) string { return principalPath + url.PathEscape(account) + "/" }

func kitHref(code string) string { return homePath + url.PathEscape(code) + "/" }

func objectHref(code, name string) string { return kitHref(code) + url.PathEscape(name) }

// placeOfHref reads an href of a request body: a path or a whole address.
func placeOfHref(href string) (place, error) {
	u, err := url.Parse(strings.TrimSpace(href))
	if err != nil {
		return place{}, fault.New(fault.NotThere, "noun", "calendar entry")
	}
	return parsePath(u.EscapedPath())
}
