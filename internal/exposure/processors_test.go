package exposure

import (
	"bytes"
	"os"
	"os/exec"
	"runtime"
	"testing"
)

// The stored digits may depend neither on the level of instructions the program was built for nor on what the processor
// offers at run time: math.Exp, which math.Pow does not use but others may, takes fused instructions where they exist, and
// a build for v3 may fuse products into sums.
func TestGoldensOnOtherProcessors(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("the levels compared are those of amd64")
	}
	without := exec.Command(os.Args[0], "-test.run=^TestGoldenDocuments$")
	without.Env = append(os.Environ(), "GODEBUG=cpu.fma=off,cpu.avx2=off,cpu.avx=off")
	if out, err := without.CombinedOutput(); err != nil {
		t.Errorf("without fused instructions: %v\n%s", err, out)
	}
	if testing.Short() {
		t.Skip("builds of other levels are left out with -short")
	}
	tool, err := exec.LookPath("go")
	if err != nil {
		if os.Getenv("KITD_TEST_FULL") != "" {
			t.Fatal(err)
		}
		t.Skip("peer missing: the go command; KITD_TEST_FULL=1 makes this a failure")
	}
	for _, level := range []string{"v1", "v3"} {
		built := exec.Command(tool, "test", "-count=1", "-run=^TestGoldenDocuments$", ".")
		built.Env = append(os.Environ(), "GOAMD64="+level)
		out, err := built.CombinedOutput()
		if bytes.Contains(out, []byte("can only be run on AMD64 processors")) {
			t.Logf("this processor cannot run %s", level)
			continue
		}
		if err != nil {
			t.Errorf("GOAMD64=%s: %v\n%s", level, err, out)
		}
	}
}
