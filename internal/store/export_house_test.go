package store

import "time"

func (tx *Tx) Next(name string) (int64, error) { return tx.next(name) }

func (tx *Tx) Counter(name string) (int64, error) { return tx.counter(name) }

func (tx *Tx) LeaseInside(name, holder string, ttl time.Duration) (bool, error) {
	return tx.lease(name, holder, ttl)
}

func (tx *Tx) Lock(name string) error { return tx.lock(name) }

func (tx *Tx) Random(b []byte) error { return tx.random(b) }
