package exposure

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// normal is the standard normal distribution.
var normal = distuv.Normal{Mu: 0, Sigma: 1}

// toleranceFactor is k of the one-sided upper tolerance limit mean + k s of n normal values: with the confidence given, at
// most 1 - coverage of the population lies above it (ISO 16269-6, by the noncentral t distribution). Above some 500 values
// the library turns to an approximation, good to 3e-4.
func toleranceFactor(n int, coverage, confidence float64) float64 {
	root := math.Sqrt(float64(n))
	t := distuv.NoncentralT{Nu: float64(n - 1), Mu: root * normal.Quantile(coverage)}
	return t.Quantile(confidence) / root
}

// exceedanceUpper is the upper confidence limit of the share of a normal population above a limit that lies distance
// standard deviations over the mean of n values: the inverse of the tolerance factor. nil where it cannot be computed.
func exceedanceUpper(n int, distance, confidence float64) *float64 {
	root := math.Sqrt(float64(n))
	seen := distance * root
	chance := func(z float64) float64 { // of a distance as large as the one seen, when the true one is z
		return noncentral(float64(n-1), -z*root, -seen)
	}
	low, high := distance-1, distance+1
	for step := 1.0; chance(low) > 1-confidence; step *= 2 {
		if low -= step; step > 1e9 {
			return nil
		}
	}
	for step := 1.0; chance(high) < 1-confidence; step *= 2 {
		if high += step; step > 1e9 {
			return nil
		}
	}
	for range 80 {
		middle := low + float64((high-low)/2)
		if chance(middle) > 1-confidence {
			high = middle
		} else {
			low = middle
		}
	}
	return share(normal.Survival(high))
}

// noncentral is the distribution function of Student's noncentral t. The library's own tail below 0 is wrong where its
// series underflows, so that it is asked above 0 only.
func noncentral(nu, mu, t float64) float64 {
	if t < 0 {
		return 1 - noncentral(nu, -mu, -t)
	}
	return distuv.NoncentralT{Nu: nu, Mu: mu}.CDF(t)
}
