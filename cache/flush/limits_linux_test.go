//go:build linux && (amd64 || arm64)

package flush

import (
	"os"
	"os/exec"
	"testing"
)

// limited is the variable that has TestFewAllowed do its work in a process of its own.
const limited = "FLUSH_LIMITED"

// Where few threads or files are allowed there is no queue.
func TestFewAllowed(t *testing.T) {
	if os.Getenv(limited) != "" {
		if kernel() != nil {
			t.Error("there is a queue")
		}
		return
	}
	for _, limit := range []string{"ulimit -u 255", "ulimit -n 255"} {
		c := exec.Command("bash", "-c", limit+` && exec "$0" -test.run='^TestFewAllowed$'`, os.Args[0])
		c.Env = append(os.Environ(), limited+"=1")
		if out, err := c.CombinedOutput(); err != nil {
			t.Errorf("%s: %v\n%s", limit, err, out)
		}
	}
}
