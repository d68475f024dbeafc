package web

import (
	"kitd/internal/fleet"
	"kitd/internal/survey"
	"kitd/web/look"
)

// custodyChoices are the places a unit can be, as a person records them; going out belongs to a booking and has its own form.
var custodyChoices = []look.Option{
	{Value: string(fleet.InDepot), Text: "in the depot"},
	{Value: string(fleet.AtLaboratory), Text: "at a laboratory"},
	{Value: string(fleet.InTransit), Text: "in transit"},
	{Value: string(fleet.Out), Text: "out with somebody"},
	{Value: string(fleet.Lost), Text: "lost"},
	{Value: string(fleet.Retired), Text: "retired"},
}

// gapChoices declare what the time without a measurement was like.
var gapChoices = []look.Option{
	{Value: "", Text: "there is none"},
	{Value: string(survey.GapSame), Text: "the rest represents it"},
	{Value: string(survey.GapNotExposed), Text: "not exposed"},
	{Value: string(survey.GapLevel), Text: "at a stated level"},
}

// outcomeChoices are the ends a wear can have.
var outcomeChoices = []look.Option{
	{Value: string(survey.Complete), Text: "complete"},
	{Value: string(survey.CutShort), Text: "cut short"},
	{Value: string(survey.Unattended), Text: "unattended"},
	{Value: string(survey.Swapped), Text: "swapped for another dosimeter"},
	{Value: string(survey.ClearedOut), Text: "cleared before it was read"},
	{Value: string(survey.Refused), Text: "refused by the worker"},
	{Value: string(survey.LostWear), Text: "lost"},
}
