package fleet

import (
	"reflect"
	"testing"
)

func TestEveryKindOfFactSurvivesItsStoredForm(t *testing.T) {
	full := true
	all := []Body{ChargeOn{chargerID, 3}, ChargeOff{&full}, ChargeOff{}, PowerSeen{true}, Opening{true, "counted on the shelf"},
		Custody{State: Out, Depot: drawID(50), Booking: drawID(230), Client: drawID(70), Holder: "n.faye", Due: asked}, Custody{State: InDepot},
		Held{"dropped", "two failed checks"}, SignedOff{drawID(20), "checked"}, Worn{drawID(220), drawID(70), 480}, ReturnAccepted{drawID(220)},
		Cleared{"fell into a tank"}, CoverageEnded{"microphone", "M2", ""}, Extended{lineID, date("2026-12-19"), "laboratory late"}, Retracted{drawID(20), "wrong unit"}}
	seen := map[string]bool{}
	for _, b := range all {
		text, err := EncodeBody(b)
		if err != nil {
			t.Fatal(err)
		}
		back, err := DecodeBody(b.FactKind(), text)
		if err != nil || !reflect.DeepEqual(back, b) {
			t.Errorf("%s: %#v came back as %#v (%v)", text, b, back, err)
		}
		seen[b.FactKind()] = true
	}
	if len(seen) != len(bodies) {
		t.Errorf("%d kinds tried of %d", len(seen), len(bodies))
	}
	for kind, text := range map[string]string{"eaten": "{}", "charge-on": "[", "worn": `{"minutes": "x"}`, "custody": `{"due": "yesterday"}`} {
		if _, err := DecodeBody(kind, []byte(text)); err == nil {
			t.Errorf("%s %s was read", kind, text)
		}
	}
}

// FuzzDecodeBody looks that whatever is read can be written and read again alike.
func FuzzDecodeBody(f *testing.F) {
	f.Add("custody", []byte(`{"state":"out","due":"2026-11-24T08:10:00Z"}`))
	f.Add("charge-off", []byte(`{"full":true}`))
	f.Add("extended", []byte(`{"due":"2026-02-30"}`))
	f.Fuzz(func(t *testing.T, kind string, data []byte) {
		b, err := DecodeBody(kind, data)
		if err != nil {
			return
		}
		text, err := EncodeBody(b)
		if err != nil {
			t.Skip("a time outside of what JSON holds")
		}
		again, err := DecodeBody(kind, text)
		if err != nil || !reflect.DeepEqual(again, b) {
			t.Fatalf("%#v came back as %#v (%v)", b, again, err)
		}
	})
}

// FuzzShelfPlace looks that no cursor, however mangled, does more than be refused.
func FuzzShelfPlace(f *testing.F) {
	f.Add(shelfPlace{3, "d-0C10", unitID, true}.String())
	f.Add("")
	f.Add("AAAA")
	f.Fuzz(func(t *testing.T, s string) {
		p, ok := readPlace(s)
		if !ok || s == "" {
			return
		}
		if again, ok := readPlace(p.String()); !ok || again != p {
			t.Fatalf("%+v came back as %+v", p, again)
		}
	})
}
