package cache

import (
	"testing"

	"lapwear/cache/key"
)

// putLoose puts a result as programs of format 1 did, in files of its own.
func putLoose(t *testing.T, s *Store, action key.ID, e Entry, blobs ...Payload) {
	t.Helper()
	must(t, fillOutputs(&e, blobs))
	for _, b := range blobs {
		if b.Data != nil {
			must(t, s.publish(s.fanned(blobsDir, b.ID), b.Data))
		}
	}
	must(t, s.publish(s.fanned(actionsDir, action), e.Encode(action)))
	s.packs.looked.Store(0)
}
