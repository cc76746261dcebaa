package cache

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"

	"lapwear/cache/key"
)

// Adopt remembers the result of an action that was computed elsewhere, without its
// outputs' bytes, and returns the entry as it is kept: the outputs that elsewhere has
// are marked as away. PutBlob may bring their bytes later.
func (s *Store) Adopt(ctx context.Context, action key.ID, e Entry) (*Entry, error) {
	e.Outputs = slices.Clone(e.Outputs)
	for i := range e.Outputs {
		e.Outputs[i].Away = e.Outputs[i].Kept
	}
	err := ctx.Err()
	if err == nil {
		s.lease.hold(s)
		err = s.add(action, e.Encode(action), nil)
	}
	if err != nil {
		return &e, fmt.Errorf("store result of %s %s: %w", e.Stage, action.Short(), err)
	}
	return &e, nil
}

// PutBlob keeps the bytes of an output whose entry is known. They must be the
// output's: of its length, and with its hash.
func (s *Store) PutBlob(ctx context.Context, o Output, data []byte) error {
	err := errors.Join(ctx.Err(), verified(o, data))
	if err == nil {
		s.lease.hold(s)
		err = s.add(key.ID{}, nil, []Payload{{Name: o.Name, Data: data, ID: o.ID, Size: o.Size}})
	}
	if err != nil {
		return fmt.Errorf("store output %q: %w", o.Name, err)
	}
	return nil
}

// Entries calls each with every entry that can be read, in the order of their actions,
// until it returns an error.
func (s *Store) Entries(ctx context.Context, each func(action key.ID, e *Entry) error) error {
	c, err := s.read(ctx)
	if err != nil {
		return fmt.Errorf("list cache %q: %w", s.dir, err)
	}
	s.packs.looked.Store(0)
	var ids []key.ID
	c.each(func(id key.ID, _ int64, _ file, e *Entry) {
		if e != nil {
			ids = append(ids, id)
		}
	})
	slices.SortFunc(ids, func(a, b key.ID) int { return bytes.Compare(a[:], b[:]) })
	for _, id := range slices.Compact(ids) {
		e, miss := s.Lookup(id)
		if miss != "" {
			continue // pruned meanwhile
		}
		if err := each(id, e); err != nil {
			return err
		}
	}
	return nil
}

func verified(o Output, data []byte) error {
	if int64(len(data)) != o.Size {
		return fmt.Errorf("length %d, want %d", len(data), o.Size)
	}
	if key.Of(data) != o.ID {
		return errContent
	}
	return nil
}
