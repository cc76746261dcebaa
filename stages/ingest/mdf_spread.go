package ingest

import (
	"context"
	"fmt"
	"slices"
)

// mdfSpread is an open MDF 4 recording of which the needed channels are in several
// channel groups, each with a time master of the name that comes first.
type mdfSpread struct {
	groups []*mdfSource
	where  [][2]int // of each needed channel: the place of its group, and its column there
	apart  error    // what refuses to read them as one
}

// spread finds the groups that have the needed channels, none of which has all. The
// error is apart where that cannot be: a channel is in no group with a time master of
// that name, or in several.
func (m *mdf) spread(all []*channelGroup, needed []string, apart error) (*mdfSpread, error) {
	if len(needed) < 2 {
		return nil, apart
	}
	x := &mdfSpread{where: make([][2]int, len(needed)), apart: apart}
	var found []*channelGroup
	columns := map[*channelGroup][]string{}
	for k, n := range needed[1:] {
		var in []*channelGroup
		for _, g := range all {
			if g.hasTime(needed[0]) && len(places(g.names(), n)) > 0 {
				in = append(in, g)
			}
		}
		if len(in) != 1 {
			return nil, apart
		}
		g := in[0]
		if columns[g] == nil {
			found, columns[g] = append(found, g), needed[:1:1]
		}
		columns[g] = append(columns[g], n)
		x.where[k+1] = [2]int{slices.Index(found, g), len(columns[g]) - 1}
	}
	for _, g := range found {
		one, err := m.source([]*channelGroup{g}, columns[g])
		if err != nil {
			return nil, err
		}
		x.groups = append(x.groups, one)
	}
	return x, nil
}

// hasTime tells whether the group has a time master of that name.
func (g *channelGroup) hasTime(name string) bool {
	at := places(g.names(), name)
	if len(at) != 1 {
		return false
	}
	c := g.channels[at[0]]
	return c.sync == timeSync && (c.kind == master || c.kind == virtualMaster)
}

// units returns the unit of a channel, and those of all time masters.
func (x *mdfSpread) units(i int) []string {
	if i > 0 {
		return x.groups[x.where[i][0]].units(x.where[i][1])
	}
	var out []string
	for _, g := range x.groups {
		out = append(out, g.units(0)...)
	}
	return out
}

// read refuses to make rows of what was not sampled together.
func (x *mdfSpread) read(context.Context, cursor) (*record, error) { return nil, x.apart }

func (x *mdfSpread) close() {}

// parts reads the lap group by group.
func (x *mdfSpread) parts(ctx context.Context, cur cursor, of []int) ([]*part, error) {
	out := make([]*part, len(x.groups))
	for k, g := range x.groups {
		rec, err := g.read(ctx, cur)
		if err != nil {
			return nil, err
		}
		rec.place = fmt.Sprintf("group %d, record", g.group.number)
		out[k] = &part{rec: rec, of: make([]int, len(of)), columns: make([]takenColumn, len(rec.cols))}
		for i, column := range of {
			out[k].of[i] = -1
			if x.where[column][0] == k {
				out[k].of[i] = x.where[column][1]
			}
		}
	}
	return out, nil
}
