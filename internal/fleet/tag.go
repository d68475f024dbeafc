package fleet

import (
	"cmp"
	"strings"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"
)

// FoldTag gives the form under which tags, codes and names are compared: two that differ only in case, or only in how their
// letters are composed, are the same (Unicode 15, sections 3.11 and 3.13: NFC and full case folding).
func FoldTag(tag string) string {
	return norm.NFC.String(cases.Fold().String(norm.NFC.String(strings.TrimSpace(tag))))
}

// CompareTags orders tags as people number things: runs of digits count as numbers, so D-9 comes before D-10.
func CompareTags(a, b string) int {
	return cmp.Or(strings.Compare(TagKey(a), TagKey(b)), strings.Compare(a, b))
}

// TagKey is a text whose plain byte order is the order of CompareTags: folded, each run of ASCII digits preceded by its length.
func TagKey(tag string) string {
	folded := FoldTag(tag)
	var b strings.Builder
	for i := 0; i < len(folded); {
		if !digit(folded[i]) {
			b.WriteByte(folded[i])
			i++
			continue
		}
		j := i
		for j < len(folded) && digit(folded[j]) {
			j++
		}
		run := strings.TrimLeft(folded[i:j], "0")
		b.WriteByte('0')
		b.WriteByte(byte('A' + min(len(run), 57)))
		b.WriteString(run)
		i = j
	}
	return b.String()
}

func digit(c byte) bool { return '0' <= c && c <= '9' }
