// Package planning answers two questions of a pool on paper: which unit charges where and when, and which units serve which
// booking. It is pure: a problem comes in, an answer goes out; there is no clock, no storage and no randomness, so the command
// line, the pages and the tests run the same code and get the same answer.
//
// # Charging
//
// A charger is handled only at moments: whole slots counted from the earliest staffed instant that lie inside a staffed window,
// both ends included. A job put on at moment t stays until the first moment at or after t + minutes, and holds its position over
// [on, off). Releases and deadlines may lie anywhere; what counts are the moments between them.
//
// For jobs of one length feasibility is decided exactly. With x(t) the number of jobs put on before moment t, every condition
// says that two x differ by at most or at least a number: positions bound the jobs that overlap a moment (the off moment never
// decreases with the on moment, so they are consecutive starts), and each window [release, deadline] needs as many starts as it
// has jobs. Such a system has a solution unless its graph has a negative cycle, and its largest solution starts every job as
// early as possible (start.go). When jobs of several lengths share positions the question is NP-hard: a sweep over the moments
// that keeps every state is exact until it meets its limit, and then the answer says so.
//
// The objectives in their order: most jobs served; fewest rounds, a round being a moment at which some job of the answer goes on
// or off; earliest off, as the sum of the off moments. Flags are set only for what was proved.
//
// # Placement
//
// Each booking gets all the units it asks for, the same ones for its whole half-open interval, or is refused with a reason; as
// many bookings as possible are served. Units with times of their own (blackouts, units held already) make this NP-hard, so the
// search is exact on small problems and proves its answer by a bound where it can; on large ones it starts from first fit and
// only ever adds to it.
package planning
