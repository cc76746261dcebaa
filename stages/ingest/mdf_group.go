package ingest

import (
	"encoding/binary"
	"fmt"
	"slices"
	"strings"
)

// dataGroup is a ##DG block: records of one or several channel groups, one after the
// other.
type dataGroup struct {
	block
	idSize int   // bytes of the record id before every record
	data   int64 // link to the records
	groups []*channelGroup
}

// channelGroup is a ##CG block: channels that are sampled together, one record a
// sample.
type channelGroup struct {
	block
	in         *dataGroup
	number     int // from 1 in the file's order
	name       string
	id, cycles uint64 // id that its records have, number of records
	variable   bool   // records are values of variable length of a channel elsewhere
	values     int64  // bytes of values in a record
	invalid    int64  // bytes of invalidation bits behind them
	channels   []channel
}

// Channel types of a ##CN block.
const (
	fixedLength    = 0
	variableLength = 1
	master         = 2
	virtualMaster  = 3
	synchronized   = 4
	maximumLength  = 5
	virtualData    = 6
)

// Bits of a ##CN block's flags.
const (
	allInvalid    = 1 << 0
	hasInvalidBit = 1 << 1
)

// timeSync is the sync type of masters in s.
const timeSync = 1

// channel is a ##CN block.
type channel struct {
	block
	name                                    string
	kind, sync, dataType, bitOffset         uint8
	byteOffset, bitCount, flags, invalidBit uint32
	composition, conversion, unit           int64 // links
}

// size is the number of bytes of a record without its id.
func (g *channelGroup) size() int64 { return g.values + g.invalid }

// String names the group for the user.
func (g *channelGroup) String() string {
	if g.name == "" {
		return fmt.Sprintf("group %d (##CG at byte %d)", g.number, g.at)
	}
	return fmt.Sprintf("group %d (%q, ##CG at byte %d)", g.number, g.name, g.at)
}

// groups reads all data groups, channel groups and channels of a file.
func (m *mdf) groups(from block, at int64) ([]*channelGroup, error) {
	var all []*channelGroup
	for at != 0 {
		b, to, raw, err := m.descriptor(from, at, "DG", 4, 1)
		if err != nil {
			return nil, err
		}
		d := &dataGroup{block: b, idSize: int(raw[0]), data: to[2]}
		if !slices.Contains([]int{0, 1, 2, 4, 8}, d.idSize) {
			return nil, m.broken(b, "record ids of %d bytes; 0, 1, 2, 4 or 8 expected", d.idSize)
		}
		if err := m.channelGroups(d, to[1], len(all)); err != nil {
			return nil, err
		}
		all = append(all, d.groups...)
		from, at = b, to[0]
	}
	return all, nil
}

// channelGroups reads the channel groups of a data group.
func (m *mdf) channelGroups(d *dataGroup, at int64, before int) error {
	from := d.block
	for at != 0 {
		b, to, raw, err := m.descriptor(from, at, "CG", 6, 32)
		if err != nil {
			return err
		}
		g := &channelGroup{block: b, in: d, number: before + len(d.groups) + 1,
			id: binary.LittleEndian.Uint64(raw), cycles: binary.LittleEndian.Uint64(raw[8:]), variable: raw[16]&1 != 0,
			values: int64(binary.LittleEndian.Uint32(raw[24:])), invalid: int64(binary.LittleEndian.Uint32(raw[28:]))}
		if g.name, err = m.text(b, to[2]); err != nil {
			return err
		}
		if err := m.channels(g, to[1]); err != nil {
			return err
		}
		d.groups = append(d.groups, g)
		from, at = b, to[0]
	}
	return nil
}

// channels reads the channels of a group; parts of arrays and structures are not
// followed.
func (m *mdf) channels(g *channelGroup, at int64) error {
	from := g.block
	for at != 0 {
		b, to, raw, err := m.descriptor(from, at, "CN", 8, 24)
		if err != nil {
			return err
		}
		u32 := func(i int) uint32 { return binary.LittleEndian.Uint32(raw[i:]) }
		c := channel{block: b, composition: to[1], conversion: to[4], unit: to[6],
			kind: raw[0], sync: raw[1], dataType: raw[2], bitOffset: raw[3],
			byteOffset: u32(4), bitCount: u32(8), flags: u32(12), invalidBit: u32(16)}
		if c.name, err = m.text(b, to[2]); err != nil {
			return err
		}
		g.channels = append(g.channels, c)
		from, at = b, to[0]
	}
	return nil
}

// unitOf returns the channel's unit, or else that of its conversion. A time master
// that names none is in s.
func (m *mdf) unitOf(c channel) (string, error) {
	unit, err := m.text(c.block, c.unit)
	if err == nil && c.unit == 0 && c.conversion != 0 {
		var b block
		var to []int64
		if b, err = m.open(c.block, c.conversion, "CC"); err == nil {
			to, _, err = m.parts(b, 2, 0)
		}
		if err == nil {
			unit, err = m.text(b, to[1])
		}
	}
	if c.sync == timeSync && (c.kind == master || c.kind == virtualMaster) && silent(unit) {
		unit = "s"
	}
	return unit, err
}

// whereAll returns which groups have each of the needed channels, or nil if one group
// has all.
func (m *mdf) whereAll(all []*channelGroup, needed []string) [][]*channelGroup {
	has := make([][]*channelGroup, len(needed))
	for _, g := range all {
		names, full := g.names(), true
		for i, n := range needed {
			if len(places(names, n)) > 0 {
				has[i] = append(has[i], g)
			} else {
				full = false
			}
		}
		if full {
			return nil
		}
	}
	return has
}

// find returns the one group that has all needed channels, which one does at least, and
// which they are.
func (m *mdf) find(all []*channelGroup, needed []string) (*channelGroup, []channel, error) {
	whole := slices.DeleteFunc(slices.Clone(all), func(g *channelGroup) bool { return m.whereAll([]*channelGroup{g}, needed) != nil })
	if len(whole) > 1 {
		return nil, nil, m.s.refuse("%s %s: which is meant cannot be told; export one of these groups, or give the channels names of their own",
			channelsAre(needed), listGroups(whole))
	}
	g, names := whole[0], whole[0].names()
	var found []channel
	for _, n := range needed {
		at := places(names, n)
		if len(at) > 1 {
			return nil, nil, m.s.refuse("%d channels of %s are named %q; give each its own name", len(at), g, n)
		}
		found = append(found, g.channels[at[0]])
	}
	return g, found, nil
}

func (g *channelGroup) names() []string {
	out := make([]string, len(g.channels))
	for i, c := range g.channels {
		out[i] = c.name
	}
	return out
}

// apart refuses a file of which no group has all needed channels.
func (m *mdf) apart(all []*channelGroup, needed []string, has [][]*channelGroup) error {
	for i, n := range needed {
		if len(has[i]) > 0 {
			continue
		}
		var names, masters []string
		for _, g := range all {
			names = append(names, g.names()...)
			for _, c := range g.channels {
				if c.sync == timeSync && !slices.Contains(masters, c.name) && len(masters) < 3 {
					masters = append(masters, c.name)
				}
			}
		}
		if len(names) == 0 {
			return m.s.refuse("no channel %q, nor any other channel; export it again with its channels", n)
		}
		time := ""
		if len(masters) > 0 {
			time = " (time is named " + quoted(masters) + ")"
		}
		return m.s.refuse("no channel %q; nearest: %s%s; correct the name of the column", n, quoted(nearest(names, n)), time)
	}
	var where []string
	for i, n := range needed {
		where = append(where, fmt.Sprintf("%q in %s", n, listGroups(has[i])))
	}
	return m.s.refuse("no channel group has all the channels, so they have not one rate: %s; export them resampled to one group, or name channels of one group only",
		strings.Join(where, "; "))
}

func channelsAre(needed []string) string {
	if len(needed) == 1 {
		return fmt.Sprintf("channel %q is in", needed[0])
	}
	return "the channels " + quoted(needed) + " are all in each of"
}

// listGroups names up to five groups.
func listGroups(all []*channelGroup) string {
	var out []string
	for i, g := range all {
		if i == 5 {
			out = append(out, fmt.Sprintf("and %d more", len(all)-i))
			break
		}
		out = append(out, g.String())
	}
	return strings.Join(out, ", ")
}
