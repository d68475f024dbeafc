package fleet

import (
	"encoding/json"
	"fmt"
)

// bodies reads the stored form of each kind of fact.
var bodies = map[string]func([]byte) (Body, error){
	"charge-on":       reads[ChargeOn],
	"charge-off":      reads[ChargeOff],
	"power-seen":      reads[PowerSeen],
	"opening":         reads[Opening],
	"custody":         reads[Custody],
	"held":            reads[Held],
	"signed-off":      reads[SignedOff],
	"worn":            reads[Worn],
	"return-accepted": reads[ReturnAccepted],
	"cleared":         reads[Cleared],
	"coverage-ended":  reads[CoverageEnded],
	"extended":        reads[Extended],
	"retracted":       reads[Retracted],
}

func reads[B Body](data []byte) (Body, error) {
	var b B
	err := json.Unmarshal(data, &b)
	return b, err
}

// DecodeBody reads a body from its JSON form under the name FactKind gave it.
func DecodeBody(kind string, data []byte) (Body, error) {
	read, ok := bodies[kind]
	if !ok {
		return nil, fmt.Errorf("fleet: there is no fact of the kind %q", kind)
	}
	b, err := read(data)
	if err != nil {
		return nil, fmt.Errorf("fleet: fact of the kind %q: %w", kind, err)
	}
	return b, nil
}

// EncodeBody is the inverse of DecodeBody.
func EncodeBody(b Body) ([]byte, error) { return json.Marshal(b) }
