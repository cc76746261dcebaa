package cli

import "testing"

// A command line that begins with a command's name has that command; any other has all.
func TestCommands(t *testing.T) {
	all := (&app{args: []string{"--json", "run"}}).commands()
	if len(all) < 15 {
		t.Errorf("%d commands, want all", len(all))
	}
	for _, c := range all {
		one := (&app{args: []string{c.Name(), "run"}}).commands()
		if len(one) != 1 || one[0].Name() != c.Name() {
			t.Errorf("%q has %d commands, the first %q", c.Name(), len(one), one[0].Name())
		}
	}
}
