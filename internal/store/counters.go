package store

// next adds one to the counter of a name and gives the new value, 1 at first. The row stays locked until the transaction
// ends, so that a value is never seen before all smaller ones; a database sequence would not promise that.
func (tx *Tx) next(name string) (int64, error) {
	if err := tx.guard(true); err != nil {
		return 0, err
	}
	var value int64
	_, err := tx.row(`INSERT INTO counter (name, value) VALUES (?, 1)
		ON CONFLICT (name) DO UPDATE SET value = counter.value + 1 RETURNING value`, []any{name}, &value)
	return value, err
}

// counter reads the counter of a name without moving it; zero when it was never moved.
func (tx *Tx) counter(name string) (int64, error) {
	var value int64
	_, err := tx.row("SELECT value FROM counter WHERE name = ?", []any{name}, &value)
	return value, err
}
