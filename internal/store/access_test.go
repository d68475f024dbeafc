package store_test

import (
	"slices"
	"strings"
	"testing"

	"kitd/internal/access"
	"kitd/internal/ident"
	"kitd/internal/store"
	"kitd/internal/store/storetest"
)

// accountFindings gives what Check says of the accounts.
func accountFindings(t *testing.T, h *storetest.House) []string {
	t.Helper()
	findings, err := h.Check(ctx)
	if err != nil {
		t.Fatal(err)
	}
	var texts []string
	for _, f := range findings {
		if f.Check == "accounts" {
			texts = append(texts, f.Text)
		}
	}
	return texts
}

func TestCheckFindsAccountsNobodyCanAdminister(t *testing.T) {
	storetest.Each(t, func(t *testing.T, h *storetest.House) {
		if got := accountFindings(t, h); len(got) != 0 {
			t.Errorf("an empty house: got %q", got)
		}
		ada := access.Account{ID: h.NewID(), Version: 1, Name: "ada", Role: access.Administrator, Locale: "en", Zone: "UTC", Clients: []ident.ID{h.NewID()}, Created: h.Clock.Now()}
		step := func(fn func(tx *store.Tx) error) {
			t.Helper()
			if err := h.Do(ctx, who, fn); err != nil {
				t.Fatal(err)
			}
		}
		step(func(tx *store.Tx) error { return tx.AddAccount(ada, "ada") })
		got := accountFindings(t, h)
		if len(got) != 2 || !strings.Contains(got[0], "no administrator") || !strings.Contains(got[1], "the account ada is assigned to 1 clients") {
			t.Errorf("got %q", got)
		}
		step(func(tx *store.Tx) error {
			return tx.SetPasswordHash(ada.ID, "$argon2id$v=19$m=64,t=1,p=1$YWJjZGVmZ2g$YWJjZGVmZ2hhYmNkZWZnaA")
		})
		ada.Version, ada.Clients = 2, nil
		step(func(tx *store.Tx) error { return tx.ReplaceAccount(ada) })
		if got := accountFindings(t, h); len(got) != 0 {
			t.Errorf("a house with an administrator: got %q", got)
		}
		if !slices.Contains(store.Checks(), "accounts") {
			t.Error("the check is not listed")
		}
	})
}
