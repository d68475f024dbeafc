package exposure

import (
	"bytes"
	"encoding/json"
	"math"
	"os/exec"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"kitd/internal/kittest"
)

// python is where Debian's python3-scipy lives.
const python = "/usr/bin/python3"

// second is the second opinion: a program that reads JSON from its input and prints JSON.
func second(t *testing.T, program string, input, output any) {
	t.Helper()
	kittest.Peer(t, exec.Command(python, "-c", "import scipy.stats").Run() == nil, "python3 with scipy")
	data, err := json.Marshal(input)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(python, "-W", "ignore", "-c", "import json, sys, math\nimport numpy as np\nfrom scipy import stats, integrate, optimize\nx = json.load(sys.stdin)\n"+program)
	var out, trouble bytes.Buffer
	cmd.Stdin, cmd.Stdout, cmd.Stderr = bytes.NewReader(data), &out, &trouble
	if err := cmd.Run(); err != nil {
		t.Fatalf("%v\n%s", err, trouble.String())
	}
	if err := json.Unmarshal(out.Bytes(), output); err != nil {
		t.Fatalf("%v: %s", err, out.String())
	}
}

// scipy's noncentral t distribution at our tolerance limits gives the confidence back; its inverse warns and is not asked.
// Above 500 values our library approximates.
func TestPeerNoncentralT(t *testing.T) {
	type asked struct {
		N                    int
		Coverage, Confidence float64
		K                    float64
	}
	var list []asked
	for _, n := range []int{2, 3, 4, 6, 10, 30, 100, 400, 600, 3000} {
		for _, coverage := range []float64{0.9, 0.95, 0.99} {
			for _, confidence := range []float64{0.7, 0.95} {
				list = append(list, asked{n, coverage, confidence, toleranceFactor(n, coverage, confidence)})
			}
		}
	}
	var got []float64
	second(t, `print(json.dumps([float(stats.nct.cdf(q["K"]*math.sqrt(q["N"]), q["N"]-1, math.sqrt(q["N"])*stats.norm.ppf(q["Coverage"]))) for q in x]))`, list, &got)
	for i, q := range list {
		tolerance := 1e-8
		if q.N > 200 {
			tolerance = 1e-3
		}
		near(t, "confidence", got[i], q.Confidence, tolerance)
	}
}

// The upper confidence limit of the exceedance: scipy finds the noncentrality at which what was seen is as rare as it may be.
func TestPeerExceedance(t *testing.T) {
	type asked struct {
		N        int
		Distance float64
	}
	list := []asked{{3, 0.5}, {6, 1.645}, {6, -0.7}, {12, 2.2}, {30, 1}, {5, 0}}
	var got []float64
	second(t, `print(json.dumps([float(stats.norm.sf(optimize.brentq(lambda d: stats.nct.sf(q["Distance"]*math.sqrt(q["N"]), q["N"]-1, d) - 0.05, -40, 30)/math.sqrt(q["N"]))) for q in x]))`, list, &got)
	for i, q := range list {
		near(t, "exceedance", value(t, "upper", exceedanceUpper(q.N, q.Distance, 0.95)), got[i], 2e-6)
	}
}

// Student's t, the critical values of Grubbs' test that rest on it, and Welch's test of scipy.
func TestPeerStudent(t *testing.T) {
	var critical []float64
	sizes := []int{3, 4, 6, 8, 20, 100}
	second(t, `print(json.dumps([float((n-1)/math.sqrt(n)*math.sqrt(t*t/(n-2+t*t))) for n in x for t in [stats.t.ppf(1-0.025/n, n-2)]]))`, sizes, &critical)
	for i, n := range sizes {
		near(t, "Grubbs", grubbsCritical(float64(n), 0.025), critical[i], 1e-8)
	}
	var quantiles []float64
	second(t, `print(json.dumps([float(stats.t.ppf(0.975, v)) for v in x]))`, []float64{1, 2.5, 5, 10, 200}, &quantiles)
	for i, nu := range []float64{1, 2.5, 5, 10, 200} {
		near(t, "t", distuv.StudentsT{Sigma: 1, Nu: nu}.Quantile(0.975), quantiles[i], 1e-8)
	}
	a, b := []float64{84.1, 86.3, 88.8, 85.5, 90.2}, []float64{80.3, 82.2, 81.7, 79.9, 83.6, 84.4, 78}
	var welch []float64
	second(t, `r = stats.ttest_ind(x[0], x[1], equal_var=False); print(json.dumps([float(r.statistic), float(r.pvalue)]))`, [][]float64{a, b}, &welch)
	r, err := ComputeGroup(Group{a, 85, b})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "Welch's t", value(t, "t", r.Comparison.Welch), welch[0], 1e-6)
	near(t, "p", value(t, "p", r.Comparison.PTwoSided), welch[1], 1e-7)
}

// Land's limits by adaptive integration over the cosine of the angle and Brent's method, with nothing in common but the
// distribution itself.
func TestPeerLand(t *testing.T) {
	type asked struct {
		N             int
		S, Confidence float64
	}
	var list []asked
	for _, n := range []int{3, 4, 6, 10, 30} {
		for _, s := range []float64{0.5, 2, 4, 6} {
			list = append(list, asked{n, s, 0.95}, asked{n, s, 0.05})
		}
	}
	var got []float64
	second(t, `
def share(n, s, d):
    r = math.sqrt((n-1)*s*s + n*d*d)
    seen = -math.sqrt(n)*d/r
    a = math.sqrt(n)*r/2
    f = lambda u: math.exp((n-3)/2*math.log1p(-u*u) - a*(u+1)) if abs(u) < 1 else (1.0 if n == 3 and u <= -1 else 0.0)
    peak = -2*a/((n-3)+math.sqrt((n-3)**2+4*a*a)) if n > 3 else -1
    def area(lo, hi):
        w = 10/math.sqrt(max(1, a))
        marks = sorted({min(max(p, lo), hi) for p in (lo, peak-w, peak-w/4, peak, peak+w/16, peak+w/4, peak+w, hi)})
        return sum(integrate.quad(f, p, q, epsabs=0, epsrel=1e-12, limit=400)[0] for p, q in zip(marks, marks[1:]))
    below, above = area(-1, seen), area(seen, 1)
    return below/(below+above)
out = []
for q in x:
    n, s, c = q["N"], q["S"]*math.log(10)/10, q["Confidence"]
    mid = s*s/2
    lo, hi = mid-4*s-s*s, mid+s
    while share(n, s, hi) > 1-c: hi += hi-lo
    while share(n, s, lo) < 1-c: lo -= hi-lo
    d = optimize.brentq(lambda d: share(n, s, d)-(1-c), lo, hi, xtol=1e-12)
    out.append((d-mid)*10/math.log(10))
print(json.dumps(out))`, list, &got)
	for i, q := range list {
		near(t, "Land", landExcess(q.N, q.S, q.Confidence), got[i], 1e-6*(1+math.Abs(got[i])))
	}
}

// scipy's hypergeometric distribution: none of the top workers in the sample.
func TestPeerHypergeometric(t *testing.T) {
	var list [][3]int
	var ours []float64
	for _, size := range []int{8, 20, 50, 333} {
		for _, top := range []int{1, 3, size / 5} {
			n, reached := SampleWorkers(size, top, 0.9)
			list, ours = append(list, [3]int{size, top, n}), append(ours, reached)
		}
	}
	var got []float64
	second(t, `print(json.dumps([float(stats.hypergeom.sf(0, N, k, n)) for N, k, n in x]))`, list, &got)
	for i := range list {
		near(t, "reached", ours[i], got[i], 1e-9)
	}
}
