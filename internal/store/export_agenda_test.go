package store

import "kitd/internal/schedule"

func (tx *Tx) LogCalendar(b schedule.Booking, deleted bool) error { return tx.logCalendar(b, deleted) }
