package access_test

import (
	"testing"

	"kitd/internal/access"
)

// TestNobodyTakesAnotherMailAddress: invitations are trusted by the address, so only administrators set it.
func TestNobodyTakesAnotherMailAddress(t *testing.T) {
	each(t, func(t *testing.T, g *gatehouse) {
		ines := g.add("ines", access.Surveyor)
		who := access.Actor{Account: ines.ID, Name: "ines", Role: access.Surveyor}
		got, err := g.ChangeSelf(ctx, who, access.Account{Display: "Ines", Mail: "boss@example.org", Locale: "en", Zone: "UTC"})
		if err != nil || got.Mail != ines.Mail || got.Display != "Ines" {
			t.Errorf("changed to %+v, %v", got, err)
		}
	})
}
