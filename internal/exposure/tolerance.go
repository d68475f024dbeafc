package exposure

import (
	"math"
	"slices"

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
	spread := chiOverRoot(n - 1)
	root := math.Sqrt(float64(n))
	chance := func(z float64) float64 { return spread.meets(root*z, root*distance) }
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

// scaledChi is the distribution of a standard deviation of normal values over the true one, by its degrees of freedom.
type scaledChi struct {
	log      func(s float64) float64 // of the density, up to a constant
	top      float64
	from, to float64 // outside, the density is nothing
}

func chiOverRoot(degrees int) scaledChi {
	nu := float64(degrees)
	c := scaledChi{log: func(s float64) float64 { return float64((nu-1)*math.Log(s)) - float64(nu*s*s/2) }}
	mode := math.Sqrt((nu - 1) / nu)
	if degrees > 1 {
		c.top = c.log(mode)
	}
	c.from, c.to = fades(c.log, mode, 0, c.top), fades(c.log, mode, mode+20, c.top)
	return c
}

// meets is the chance that a noncentral t, (Z + mu)/s, reaches seen: the mean of the normal chance of mu - seen s over the
// spreads s. The step of that chance, at s = mu/seen, is integrated apart.
func (c scaledChi) meets(mu, seen float64) float64 {
	cuts := []float64{c.from, c.to}
	if seen != 0 {
		for _, k := range []float64{-9, -4, 0, 4, 9} {
			cuts = append(cuts, min(max((mu+k)/seen, c.from), c.to))
		}
	}
	slices.Sort(cuts)
	met, all := 0.0, 0.0
	density := func(s float64) float64 { return math.Exp(c.log(s) - c.top) }
	for i := range cuts[1:] {
		if cuts[i] == cuts[i+1] {
			continue
		}
		met += integral(func(s float64) float64 { return density(s) * normal.CDF(mu-float64(seen*s)) }, cuts[i], cuts[i+1])
		all += integral(density, cuts[i], cuts[i+1])
	}
	return met / all
}
