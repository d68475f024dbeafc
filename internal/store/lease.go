package store

import (
	"context"
	"time"

	"kitd/internal/access"
)

// house is the actor of what the store does of its own accord.
func house(name string) access.Actor { return access.System(name, access.ViaJob) }

// Lease takes or renews the lease of a name for holder until ttl from now, and reports whether holder has it. Of several
// processes one has it at a time; who dies loses it when it runs out.
func (db *DB) Lease(ctx context.Context, name, holder string, ttl time.Duration) (bool, error) {
	held := false
	err := db.Do(ctx, house("lease"), func(tx *Tx) (err error) {
		held, err = tx.lease(name, holder, ttl)
		return err
	})
	return held && err == nil, err
}

// Release gives a lease back before it runs out. A lease of somebody else stays.
func (db *DB) Release(ctx context.Context, name, holder string) error {
	return db.Do(ctx, house("lease"), func(tx *Tx) error {
		_, err := tx.exec("DELETE FROM lease WHERE name = ? AND holder = ?", name, holder)
		return err
	})
}

// lease is Lease inside a transaction, which then also keeps other holders out until it ends.
func (tx *Tx) lease(name, holder string, ttl time.Duration) (bool, error) {
	n, err := tx.exec(`INSERT INTO lease (name, holder, until) VALUES (?, ?, ?)
		ON CONFLICT (name) DO UPDATE SET holder = excluded.holder, until = excluded.until
		WHERE lease.holder = excluded.holder OR lease.until <= ?`, name, holder, tx.at.Add(ttl), tx.at)
	return n == 1, err
}
