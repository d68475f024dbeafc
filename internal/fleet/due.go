package fleet

import "kitd/internal/civil"

// DueDate counts the last covered day from the day of calibration: the day before the same day `months` calendar months later,
// or the end of that month. A day the target month lacks becomes its last day. Zero months: no due date, the zero Date.
// The due date is the owner's decision, not the laboratory's (ISO/IEC 17025:2017, 7.8.4.3: a certificate carries no
// recommendation on the interval unless agreed with the customer). The two ways of counting are common practice, no source.
func DueDate(calibrated civil.Date, months int, rule DueRule) civil.Date {
	if months <= 0 || calibrated.IsZero() {
		return civil.Date{}
	}
	same := calibrated.AddMonths(months)
	if rule == MonthEnd {
		return same.MonthEnd()
	}
	return same.AddDays(-1)
}
