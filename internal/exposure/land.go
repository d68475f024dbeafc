package exposure

import (
	"math"
	"sync"

	"gonum.org/v1/gonum/integrate/quad"
)

// dBPerNeper turns natural logarithms of a sound exposure into dB: 10/ln 10.
const dBPerNeper = 10 / math.Ln10

// landExcess is how far the one-sided confidence limit of the mean of a lognormal quantity lies above (below when negative)
// its estimate exp(mean + s²/2), in dB. n values have the standard deviation s in dB; confidence is 0.95 for the upper
// limit, 0.05 for the lower one. It is Land's exact limit (C. E. Land, Technometrics 13 (1971) 187): given the sum of
// squares about the true value, the direction of the deviations has a known distribution, whatever the variance. n is at
// least 3.
func landExcess(n int, s, confidence float64) float64 {
	if s == 0 {
		return 0
	}
	s /= dBPerNeper
	centre, width := s*s/2, s/math.Sqrt(float64(n))+s*s/2
	low, high := centre-width, centre+width
	for landShare(n, s, low) < 1-confidence {
		low -= high - low
	}
	for landShare(n, s, high) > 1-confidence {
		high += high - low
	}
	for high-low > 1e-11*(1+math.Abs(high)) {
		middle := low + float64((high-low)/2)
		if middle <= low || middle >= high {
			break
		}
		if landShare(n, s, middle) > 1-confidence {
			low = middle
		} else {
			high = middle
		}
	}
	return (low + float64((high-low)/2) - centre) * dBPerNeper
}

// landShare is the chance of a mean as low as the one seen, when the true logarithm of the mean lies d above it. On the
// sphere the angle x to the diagonal has the density sin(x)^(n-2) exp(a cos x), taken here from the far end.
func landShare(n int, s, d float64) float64 {
	across, along := math.Sqrt(float64(n-1))*s, math.Sqrt(float64(n))*d
	seen := math.Atan2(across, along)
	a := math.Sqrt(float64(n)) * math.Hypot(across, along) / 2
	k := float64(n - 2)
	mode := math.Acos(2 * a / (k + math.Sqrt(float64(k*k)+float64(4*a*a))))
	log := func(x float64) float64 { return float64(k*math.Log(math.Sin(x))) + float64(a*math.Cos(x)) }
	top := log(mode)
	density := func(x float64) float64 { return math.Exp(log(x) - top) }
	from, to := fades(log, mode, 0, top), fades(log, mode, math.Pi, top)
	split := min(max(seen, from), to)
	below, above := integral(density, from, split), integral(density, split, to)
	return below / (below + above)
}

// gauss holds the nodes and weights of the rule on -1 to 1.
var gauss = sync.OnceValues(func() (x, weight []float64) {
	x, weight = make([]float64, 96), make([]float64, 96)
	quad.Legendre{}.FixedLocations(x, weight, -1, 1)
	return x, weight
})

// integral is Gauss and Legendre's, of 96 points.
func integral(f func(float64) float64, from, to float64) float64 {
	x, weight := gauss()
	half, sum := (to-from)/2, 0.0
	for i := range x {
		sum += float64(weight[i] * f(from+float64(half*(1+x[i]))))
	}
	return half * sum
}

// fades is where, between the mode and an end, the density has fallen to nothing (e^-40 of its top), or the end.
func fades(log func(float64) float64, mode, end, top float64) float64 {
	near, far := mode, end
	for range 40 {
		middle := (near + far) / 2
		if log(middle) > top-40 {
			near = middle
		} else {
			far = middle
		}
	}
	return far
}

// landC1U1 is c1 u1 in dB from Land's exact one-sided 95 % upper limit, in the place of ISO 9612:2009, Table C.4.
func landC1U1(n int, u1 float64) float64 { return landExcess(n, u1, 0.95) / Coverage }
