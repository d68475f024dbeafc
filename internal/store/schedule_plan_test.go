package store_test

import (
	"strings"
	"testing"

	"kitd/internal/store"
	"kitd/internal/store/storetest"
)

// The probe for an overlap reads one entry of one index and no row of the table, however many promises there are.
func TestTheOverlapProbeReadsOneIndex(t *testing.T) {
	h := storetest.SQLite(t)
	var steps []string
	err := h.View(ctx, who, func(tx *store.Tx) error {
		return tx.Each(`EXPLAIN QUERY PLAN SELECT starts_at FROM promises WHERE unit_id = x'01' AND live = 1 AND ends_at > 5 ORDER BY ends_at LIMIT 1`, nil,
			func(scan func(...any) error) error {
				var id, parent, unused int
				var step string
				err := scan(&id, &parent, &unused, &step)
				steps = append(steps, step)
				return err
			})
	})
	if err != nil || len(steps) != 1 || !strings.Contains(steps[0], "USING COVERING INDEX promises_unit (unit_id=? AND live=? AND ends_at>?)") {
		t.Errorf("plan %q, %v", steps, err)
	}
}
