// Package exposure computes occupational noise exposure: levels and doses from time histories and from stated levels, the
// verdicts of regulation profiles, the ISO 9612 strategies with their uncertainty, the statistics of groups, levels under
// hearing protectors, the risk of hearing loss, and the size of a survey.
//
// It is pure: no clock, no storage, no randomness. The command line, the pages and the stored results run the same code:
// Compute for a time history, ComputeSegments for stated levels, Run for a JSON document.
//
// Units: levels in dB (re 20 µPa), times in hours unless the name says seconds, doses in per cent, sound exposure in Pa²h.
//
// Resolution. The levels of a history are kept as integers: 0.1 dB steps when every level lies on that grid, else 0.01 dB,
// else 1e-6 dB, which is the resolution at which levels are compared. Bins are never wider than the data, so counting does
// not shift a level across a threshold.
//
// Reproducibility. Levels and doses leave the engine rounded to 1e-6 dB and 1e-6 of the dose (Level, Share), and are
// compared in that form. Products that are added are rounded first (float64(a*b) + c), so that a compiler may not fuse them:
// the same input gives the same stored result whatever the processor.
//
// Results are for people who know the trade. Local codes and licensed practice come first.
package exposure

// EngineVersion names the computing rules. It changes when a result may change, and is recorded with every result.
const EngineVersion = "exposure-2"

// MethodEdition is the edition of the measurement standard whose formulas are used for levels and uncertainties.
const MethodEdition = "ISO 9612:2009"
