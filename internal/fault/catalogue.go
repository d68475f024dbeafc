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

	CalendarLine   Code = "calendar-line"
	CalendarObject Code = "calendar-object"
	CalendarRule   Code = "calendar-rule"
	CalendarZone   Code = "calendar-zone"
	TokenStale     Code = "token-stale"

	XMLUnreadable      Code = "xml-unreadable"
	ReportUnknown      Code = "report-unknown"
	FilterUnknown      Code = "filter-unknown"
	DepthInfinity      Code = "depth-infinity"
	PreconditionFailed Code = "precondition-failed"
	NoSuchKit          Code = "no-such-kit"
)

// The store's codes.
const (
	NestedWork     Code = "nested-work"
	ReadOnlyWork   Code = "read-only-work"
	BreaksRule     Code = "breaks-rule"
	StillLinked    Code = "still-linked"
	Overlaps       Code = "overlaps"
	Frozen         Code = "frozen"
	StorageFull    Code = "storage-full"
	StorageDamaged Code = "storage-damaged"
	StorageAway    Code = "storage-away"
	SchemaTooNew   Code = "schema-too-new"
	SchemaBehind   Code = "schema-behind"
	ForeignData    Code = "foreign-database"
	KeyReused      Code = "key-reused"
	DoneBefore     Code = "done-before"
	BackupInWay    Code = "backup-in-the-way"
	BackupByTool   Code = "backup-by-tool"
	BackupDamaged  Code = "backup-damaged"
	FileDamaged    Code = "file-damaged"
	DatabaseInUse  Code = "database-in-use"
	OutcomeUnknown Code = "outcome-unknown"
	BadText        Code = "bad-text"
)

// The exposure engine's codes.
const (
	ExposureDocument Code = "exposure-document"
	ExposureMethod   Code = "exposure-method"
	ExposureProfile  Code = "exposure-profile"
	ExposureInput    Code = "exposure-input"
	ExposureProfiles Code = "exposure-profiles"
	ReturnFile       Code = "return-file"

	LoginRefused      Code = "login-refused"
	TooManyTries      Code = "too-many-tries"
	NotSignedIn       Code = "not-signed-in"
	LinkSpent         Code = "link-spent"
	LastAdministrator Code = "last-administrator"
	FormStale         Code = "form-stale"
	ForeignOrigin     Code = "foreign-origin"
	NoSuchPage        Code = "no-such-page"
	WrongMethod       Code = "wrong-method"
	WrongMedia        Code = "wrong-media-type"
	VersionNeeded     Code = "version-needed"
	VersionStale      Code = "version-stale"
)

// The codes of surveys, returns and results.
const (
	EmptyFile       Code = "empty-file"
	UploadBroken    Code = "upload-broken"
	UndeclaredGap   Code = "undeclared-gap"
	DayMakeUp       Code = "day-make-up"
	UnitNotToBeWorn Code = "unit-not-to-be-worn"
	ReturnUnlinked  Code = "return-unlinked"
	ReturnReviewed  Code = "return-reviewed"
	WearTaken       Code = "wear-taken"
	NothingAccepted Code = "nothing-accepted"
)

// The codes of the pool.
const (
	UnitInTwoKits   Code = "unit-in-two-kits"
	ClearOverUnread Code = "clear-over-unread"
)

// The desk's codes.
const (
	BookingRefused Code = "booking-refused"
	HandOutRefused Code = "hand-out-refused"
	BookingClosed  Code = "booking-closed"
	BookingOut     Code = "booking-out"
	PromiseTaken   Code = "promise-taken"
)

// The planners' code.
const PlanningProblem Code = "planning-problem"

// The codes of invitations by mail.
const (
	KitsShort    Code = "kits-short"
	MailTooOften Code = "mail-too-often"
	MailForm     Code = "mail-form"
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

	NestedWork:     {Internal, "A piece of work was begun inside another one; nothing was stored. This is a mistake in kitd: report it with the log."},
	ReadOnlyWork:   {Internal, "A piece of work that only reads tried to write; nothing was stored. This is a mistake in kitd: report it with the log."},
	BreaksRule:     {Invalid, "This breaks the rule {rule} that guards the stored data; nothing was stored. Check the values and repeat."},
	StillLinked:    {Conflict, "This names something that is not there, or removes something that is still in use; nothing was stored. Look at it again and repeat what you want."},
	Overlaps:       {Conflict, "This overlaps something that is already stored ({rule}); nothing was stored. Choose another time."},
	Frozen:         {Conflict, "What is sealed is never changed or removed; enter a new record that replaces it."},
	StorageFull:    {Unavailable, "The disk that holds the data is full; nothing was stored. Free some space and repeat."},
	StorageDamaged: {Internal, "The database file is damaged or is not a database; nothing was stored. Run kitd check, and restore the newest good backup."},
	StorageAway:    {Unavailable, "The database at {where} cannot be reached; nothing was stored. Check that it runs and that the address is right."},
	SchemaTooNew:   {Unavailable, "The database needs kitd of schema {needed} or newer, this one is of schema {own}; start the newer kitd, or restore the backup made before the upgrade."},
	SchemaBehind:   {Unavailable, "The database is of schema {found}, this kitd needs {own}; start it with migrations allowed."},
	ForeignData:    {Conflict, "The database at {where} holds the tables of something else and not those of kitd; name another database."},
	KeyReused:      {Conflict, "The idempotency key {key} was used before for a different request; send a new key with a new request."},
	DoneBefore:     {Conflict, "This call was made and done before, with the {noun} {id}; nothing was done again. Look at that instead."},
	BackupInWay:    {Conflict, "There is a file at {path} already, and it was left alone; name another file."},
	BackupByTool:   {Invalid, "On PostgreSQL the server's own tool makes and restores backups: use {tool}."},
	BackupDamaged:  {Invalid, "The backup {path} is not whole ({what}); nothing was replaced. Use another backup."},
	DatabaseInUse:  {Conflict, "The database {path} is in use, and nothing was replaced; stop kitd and repeat."},
	OutcomeUnknown: {Unavailable, "The connection to the database broke while this was being stored; look whether it is there before you repeat it."},
	BadText:        {Invalid, "A text holds a NUL character or bytes that are not UTF-8, and nothing was stored; remove them and repeat."},
	FileDamaged:    {Internal, "The stored file {hash} does not match its hash any more; restore it from a backup. Nothing was computed from it."},

	ExposureDocument: {Invalid, "The exposure document has to change at {where}: {what}."},
	ExposureMethod:   {Invalid, "There is no method {method}; the methods are {methods}."},
	ExposureProfile:  {Invalid, "There is no profile {profile}; the profiles are {profiles}."},
	ExposureInput:    {Invalid, "No exposure was computed: {what}."},
	ExposureProfiles: {Invalid, "The profiles have to change at {where}: {what}."},
	ReturnFile:       {Invalid, "The return file was not read, at {where}: {what}."},

	LoginRefused:      {Forbidden, "Name and password do not belong together, or the account is disabled. Check both, or ask an administrator for a link to set a new password."},
	TooManyTries:      {Unavailable, "There were too many tries from here; nothing was checked. Wait {wait} and try again."},
	NotSignedIn:       {Forbidden, "This needs an account, and nobody is logged in here any more; nothing was stored. Log in and repeat."},
	LinkSpent:         {NotFound, "This link was used already, is too old, or never was one. Ask an administrator for a new one; for a new installation, start kitd again and use the link it prints."},
	LastAdministrator: {Conflict, "{name} is the last administrator who can log in; make somebody else an administrator first."},
	FormStale:         {Forbidden, "This form belongs to an earlier login, so nothing was stored. Load the page again and repeat."},
	ForeignOrigin:     {Forbidden, "This came from a page of another site, so nothing was stored. Use the forms of kitd itself; if this is one, the address in the browser differs from public_url in the configuration."},
	NoSuchPage:        {NotFound, "There is nothing at this address. Check it, or start from the shelf."},
	WrongMethod:       {Invalid, "The method {method} does nothing at this address; it understands {allowed}."},
	WrongMedia:        {Invalid, "The body is of type {type}; send {wanted}."},
	VersionNeeded:     {Invalid, "A change needs the version you looked at; send its ETag in If-Match."},
	VersionStale:      {Conflict, "This {noun} is of version {version} by now; look at it again and repeat what you want with its new ETag."},

	EmptyFile:       {Invalid, "The file {name} is empty (0 bytes); nothing was stored. Read the instrument again and send what comes out."},
	UploadBroken:    {Invalid, "The upload of {name} ended before the file did; nothing was stored. Send it again."},
	UndeclaredGap:   {Conflict, "There is no result for this day yet: {what}."},
	DayMakeUp:       {Conflict, "There is no result for this day: a day is computed from one wear and declared gaps, and {what}."},
	UnitNotToBeWorn: {Conflict, "{unit} is not to be worn now: {reasons}. Take another unit, or give a reason to wear it all the same."},
	ReturnUnlinked:  {Conflict, "{return} is not linked to a wear yet; link it first."},
	ReturnReviewed:  {Conflict, "{return} was {state} already; a review is never repeated."},
	WearTaken:       {Conflict, "{return} is linked to that wear already; reject it first if it is the wrong one."},
	NothingAccepted: {Conflict, "There is nothing to compute: no accepted return is linked to this wear."},

	CalendarLine:   {Invalid, "Line {line} of the calendar object cannot be used: {what}."},
	CalendarObject: {Invalid, "The calendar object cannot be used: {what}."},
	CalendarRule:   {Invalid, "The recurrence in line {line} of the calendar object cannot be used: {what}."},
	CalendarZone:   {Invalid, "The time zone {zone} in line {line} is not known and the object brings no rules for it; choose a named zone such as Europe/Berlin."},
	TokenStale:     {Conflict, "The sync token is not of this collection as it stands; synchronize from the beginning."},

	XMLUnreadable:      {Invalid, "The request body cannot be read as XML: {what}."},
	ReportUnknown:      {Invalid, "There is no report {report} at this address."},
	FilterUnknown:      {Invalid, "The filter of the query cannot be used: {what}."},
	DepthInfinity:      {Forbidden, "A listing goes one level deep at a time; ask with Depth 0 or 1."},
	PreconditionFailed: {Conflict, "The calendar entry {name} is not in the state the program believed ({what}); synchronize, then repeat what you want."},
	NoSuchKit:          {Conflict, "There is no kit {kit} here whose calendar could take the entry; nothing was stored."},

	UnitInTwoKits:   {Conflict, "A unit would be in two kits at a time; take it out of the other kit first, or choose a later moment."},
	ClearOverUnread: {Conflict, "{unit} holds unread data of {n} wears; read them first, or give a reason to clear them all the same."},

	BookingRefused:  {Conflict, "The desk cannot promise {what}: {why}. {instead}"},
	HandOutRefused:  {Conflict, "Not everything is ready to be handed out for {what}: {why}. Finish the work, or hand out all the same with a reason."},
	BookingClosed:   {Conflict, "Booking {number} is {state}, which cannot be changed any more; make a new booking."},
	BookingOut:      {Conflict, "Units of booking {number} are out: {what}."},
	PlanningProblem: {Invalid, "The planning problem has to change at {where}: {what}."},

	KitsShort:    {Conflict, "{free} of {wanted} kits of {depot} can be promised: {why}"},
	MailTooOften: {Unavailable, "More than {limit} messages came from one sender within an hour; the message is taken later. If they are not sent on purpose, look for a loop."},
	MailForm:     {Invalid, "The mail cannot be read: {what}."},
	PromiseTaken: {Conflict, "Somebody else was promised one of these units a moment ago; nothing was stored. Ask again to see what is free now."},
}
