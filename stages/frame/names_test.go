package frame

import (
	"strings"
	"testing"
)

func TestEdits(t *testing.T) {
	for _, row := range []struct {
		a, b, reason string
		want         int
	}{
		{"", "", "nothing", 0},
		{"abc", "", "three deletions", 3},
		{"kitten", "sitting", "the usual example of edits (common practice, no source)", 3},
		{"Saturday", "Sunday", "another of them", 3},
		{"ab", "ba", "a swap", 1},
		{"ca", "abc", "no character is edited twice: 2 would be Damerau's without that bound", 3},
		{"größe", "grösse", "characters, not bytes", 2},
		{strings.Repeat("x", 80) + "a", strings.Repeat("x", 80) + "b", "beyond what is compared", 0},
	} {
		if got := Edits(row.a, row.b); got != row.want {
			t.Errorf("%s: %q to %q takes %d edits, expected %d", row.reason, row.a, row.b, got, row.want)
		}
		if got := Edits(row.b, row.a); got != row.want {
			t.Errorf("%s: %q to %q takes %d edits, expected %d", row.reason, row.b, row.a, got, row.want)
		}
	}
}
