package cli

import (
	"crypto/rand"
	"fmt"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"lapwear/cache/remote"
)

func keysFlag(c *cobra.Command, dir *string) {
	c.Flags().StringVar(dir, "keys", "", "folder of the keys for a shared cache (default: LAPWEAR_KEYS, else lapwear/keys in the user's settings folder)")
}

// keysFolder is the folder of keys: the option, else LAPWEAR_KEYS, else in the user's
// settings folder.
func keysFolder(option string) (remote.Keys, error) {
	if dir := or(option, "LAPWEAR_KEYS"); dir != "" {
		return remote.Keys{Dir: dir}, nil
	}
	dir, err := os.UserConfigDir()
	if err != nil {
		return remote.Keys{}, usagef("find the folder of keys: %w; give one with --keys", err)
	}
	return remote.Keys{Dir: filepath.Join(dir, "lapwear", "keys")}, nil
}

func (a *app) cacheKey() *cobra.Command {
	c := &cobra.Command{
		Use:   "key",
		Short: "Look after the keys of a shared cache",
		Long: `Looks after the keys of a shared cache (run --remote). Whoever sends results signs them;
whoever reads takes only what a trusted key has signed. Trust the key of someone whose
computations you would put your name to, after they told you the key themselves.`,
		Example: "  lapwear cache key new\n  lapwear cache key trust nightly ed25519:…",
		Args:    cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			return usagef("cache key needs one of new, show, trust, distrust, list; see 'lapwear cache key --help'")
		},
	}
	c.AddCommand(
		a.keyCommand("new", "Make the key that signs what you send",
			"Makes the key that signs what you send, in a file that you alone may read, and prints its\npublic half for others to trust. One that is there is not replaced.",
			"lapwear cache key new", 0, a.newKey),
		a.keyCommand("show", "Print the public half of your signing key",
			"Prints the public half of your signing key, for others to trust.",
			"lapwear cache key show", 0, a.showKey),
		a.keyCommand("trust NAME KEY", "Trust a key, and with it the results it signs",
			"Takes results from now on that the key has signed. NAME is for you to know it by.",
			"lapwear cache key trust nightly ed25519:…", 2, a.trustKey),
		a.keyCommand("distrust NAME", "Trust a key no more",
			"Takes no more results that the key has signed. What was taken stays in the cache: remove\nthe cache's folder if it may be wrong.",
			"lapwear cache key distrust nightly", 1, a.distrustKey),
		a.keyCommand("list", "List the keys that are trusted",
			"Lists the keys whose results are taken: your own, and those you trust.",
			"lapwear cache key list --json", 0, a.listKeys))
	return c
}

func (a *app) keyCommand(use, short, long, example string, args int, do func(remote.Keys, []string) error) *cobra.Command {
	var dir string
	c := &cobra.Command{Use: use, Short: short, Long: long, Example: "  " + example, Args: cobra.ExactArgs(args),
		RunE: func(_ *cobra.Command, args []string) error {
			k, err := keysFolder(dir)
			if err != nil {
				return err
			}
			return do(k, args)
		}}
	keysFlag(c, &dir)
	return c
}

// keyJSON is a key as the key commands print it.
type keyJSON struct {
	Name string `json:"name"` // own, or the name that the user gave
	Key  string `json:"key"`
	File string `json:"file,omitempty"` // of the user's own
}

func (a *app) newKey(k remote.Keys, _ []string) error {
	if _, err := k.Make(rand.Reader); err != nil {
		return err
	}
	return a.showKey(k, nil)
}

func (a *app) showKey(k remote.Keys, _ []string) error {
	own, err := ownKey(k)
	if err != nil {
		return err
	}
	if own == nil {
		return fmt.Errorf("show key: there is none in %q; 'lapwear cache key new' makes one", k.Dir)
	}
	if a.json {
		return a.printJSON(own)
	}
	fmt.Fprintln(a.out, own.Key)
	return nil
}

func (a *app) trustKey(k remote.Keys, args []string) error {
	public, err := remote.ParsePublicKey(args[1])
	if err == nil {
		err = k.Trust(args[0], public)
	}
	if err != nil {
		return usageError{err}
	}
	return a.listKeys(k, nil)
}

func (a *app) distrustKey(k remote.Keys, args []string) error {
	if err := k.Distrust(args[0]); err != nil {
		return usageError{err}
	}
	return a.listKeys(k, nil)
}

func ownKey(k remote.Keys) (*keyJSON, error) {
	s, err := k.Signer()
	if err != nil || s == nil {
		return nil, err
	}
	return &keyJSON{"own", s.Public().String(), k.SigningFile()}, nil
}

func (a *app) listKeys(k remote.Keys, _ []string) error {
	keys := []keyJSON{}
	own, err := ownKey(k)
	if err != nil {
		return err
	}
	if own != nil {
		keys = append(keys, *own)
	}
	trusted, err := k.Trusted()
	if err != nil {
		return err
	}
	for _, t := range trusted {
		keys = append(keys, keyJSON{Name: t.Name, Key: t.Key.String()})
	}
	if a.json {
		return a.printJSON(struct {
			Keys []keyJSON `json:"keys"`
		}{keys})
	}
	w := a.columns()
	for _, k := range keys {
		fmt.Fprintf(w, "%s\t%s\t%s\n", k.Name, k.Key, k.File)
	}
	return w.Flush()
}
