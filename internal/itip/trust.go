package itip

import (
	"strings"

	"kitd/internal/access"
	"kitd/internal/ical"
)

// Unproven is the value of the setting mail-authserv with which senders are believed without proof: for sites whose own mail
// server refuses foreign mail that bears their addresses.
const Unproven = "none"

// automatic says why a message is one that machines send and nobody may answer, empty when it is not. invitation tells that it
// carries an iTIP message: calendar servers send those for people and mark them auto-generated, and the answer to one is part of
// its protocol, never answered in turn.
func automatic(l Letter, invitation bool) string {
	auto := strings.ToLower(strings.TrimSpace(strings.SplitN(l.AutoSubmitted, ";", 2)[0]))
	precedence := strings.ToLower(strings.TrimSpace(l.Precedence))
	switch {
	case l.EnvelopeFrom == "":
		return "it has no return address, so it is a notice of a mail server (RFC 5321, 4.5.5)"
	case l.List:
		return "it came through a mailing list"
	case precedence == "bulk" || precedence == "list" || precedence == "junk":
		return "it is bulk mail"
	case auto != "" && auto != "no" && !(auto == "auto-generated" && invitation):
		return "it was sent by a machine (Auto-Submitted: " + auto + ")"
	}
	return ""
}

// proven reports whether the site's own mail server vouches for the sender's address: the topmost Authentication-Results
// header of that server (RFC 8601, 2.2), since every header below may be forged.
func proven(results []string, authserv, from string) bool {
	if authserv == Unproven {
		return true
	}
	domain := from[strings.LastIndexByte(from, '@')+1:]
	for _, r := range results {
		server, rest, _ := strings.Cut(uncommented(r), ";")
		name, _, _ := strings.Cut(strings.TrimSpace(server), " ")
		if !strings.EqualFold(name, authserv) {
			continue
		}
		for _, statement := range strings.Split(rest, ";") {
			if vouches(strings.Fields(strings.ToLower(statement)), from, domain) {
				return true
			}
		}
		return false
	}
	return false
}

// vouches reads one statement, "dkim=pass header.d=example.org".
func vouches(words []string, from, domain string) bool {
	if len(words) == 0 {
		return false
	}
	props := map[string]string{}
	for _, w := range words[1:] {
		name, value, _ := strings.Cut(w, "=")
		props[name] = strings.Trim(value, `"`)
	}
	switch words[0] {
	case "dmarc=pass":
		return props["header.from"] == domain
	case "dkim=pass":
		return props["header.d"] == domain || strings.HasPrefix(props["header.i"], "@") && props["header.i"][1:] == domain
	case "spf=pass":
		return props["smtp.mailfrom"] == from || props["smtp.mailfrom"] == domain || strings.HasSuffix(props["smtp.mailfrom"], "@"+domain)
	case "auth=pass":
		return props["smtp.auth"] == from || props["smtp.mailfrom"] == from
	}
	return false
}

// uncommented drops comments (RFC 5322, 3.2.2), which may hold anything.
func uncommented(s string) string {
	var b strings.Builder
	depth := 0
	for i := 0; i < len(s); i++ {
		switch c := s[i]; {
		case c == '\\' && depth > 0:
			i++
		case c == '(':
			depth++
		case c == ')' && depth > 0:
			depth--
		case depth == 0:
			b.WriteByte(c)
		}
	}
	return b.String()
}

// holder finds the one enabled account with the address; an address that two share proves neither.
func holder(accounts []access.Account, address string) (access.Account, bool) {
	var found []access.Account
	for _, a := range accounts {
		if !a.Disabled && a.Mail != "" && strings.EqualFold(a.Mail, address) {
			found = append(found, a)
		}
	}
	if len(found) != 1 {
		return access.Account{}, false
	}
	return found[0], true
}

// speaksFor reports whether the sender is the organizer or sends on the organizer's behalf (RFC 6047, 3).
func speaksFor(from string, organizer ical.Person) bool {
	return from != "" && (organizer.Address == from || organizer.Email == from || organizer.SentBy == from)
}
