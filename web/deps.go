package web

// Pool is what pages and API need of the fleet.
type Pool interface {
}

// Desk is what pages and API need of the desk.
type Desk interface {
}

// Office is what pages and API need of surveys, returns and results.
type Office interface {
}

// Repeats remembers answers to repeated calls.
type Repeats interface {
}
