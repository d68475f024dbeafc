package web

import (
	"slices"
	"strings"

	"kitd/internal/access"
	"kitd/internal/ident"
	"kitd/web/look"
)

func newPassword(id, label string) look.Field {
	return look.Field{ID: id, Label: label, Type: "password", Required: true, Fill: "new-password", Max: access.MaxPassword,
		Rule: "At least 10 characters, not the name. A few unrelated words are good."}
}

func mailField(value string) look.Field {
	return look.Field{ID: "mail", Label: "Mail address", Value: value, Type: "email", Fill: "email", Max: 254, Rule: "Where reminders go and invitations come from. May stay empty."}
}

func roleOptions() []look.Option {
	var all []look.Option
	for _, r := range access.Roles() {
		all = append(all, look.Option{Value: string(r), Text: string(r)})
	}
	return all
}

func hasID(all []ident.ID, id ident.ID) bool { return slices.Contains(all, id) }

// clientsOf says in words whose data an account sees.
func clientsOf(a access.Account, clients []clientName) string {
	if a.AllClients {
		return "every client"
	}
	var names []string
	for _, c := range clients {
		if hasID(a.Clients, c.ID) {
			names = append(names, c.Name)
		}
	}
	if len(names) == 0 {
		return "none"
	}
	return strings.Join(names, ", ")
}

func stateOf(a access.Account) string {
	switch {
	case a.Disabled:
		return "disabled"
	case !a.HasPassword:
		return "has not set a password yet"
	}
	return "may log in"
}
