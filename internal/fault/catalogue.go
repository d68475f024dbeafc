package fault

// Code names a fault for programs; it never changes once released.
type Code string

type entry struct {
	kind Kind
	text string
}

// The codes, by noun. The sentence says what, where and what to do; {name} is filled from the arguments.
const (
	Unexpected  Code = "unexpected"
	NotThere    Code = "not-there"
	NotAllowed  Code = "not-allowed"
	Busy        Code = "busy"
	Changed     Code = "changed-meanwhile"
	BadInput    Code = "bad-input"
	TooLarge    Code = "too-large"
	AlreadyUsed Code = "already-used"
)

var catalogue = map[Code]entry{
	Unexpected:  {Internal, "Something went wrong inside kitd; nothing was stored. The log names the cause."},
	NotThere:    {NotFound, "There is no such {noun} here."},
	NotAllowed:  {Forbidden, "Your role does not allow this: {what}."},
	Busy:        {Unavailable, "kitd is busy and stored nothing; try again in a moment."},
	Changed:     {Conflict, "This {noun} was changed by somebody else meanwhile; look at it again and repeat what you want."},
	BadInput:    {Invalid, "Something in the input has to change: {what}."},
	TooLarge:    {Invalid, "The {noun} is larger than the limit of {limit}."},
	AlreadyUsed: {Conflict, "The {noun} {value} is already in use; choose another."},
}
