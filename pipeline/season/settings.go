package season

// Settings lists every value of the season file by its dotted path, in file order, with
// what was replaced when it was loaded. A list is one value.
func (s *Season) Settings() []Override { return s.settings }

func leaves(out []Override, path string, n *node) []Override {
	if n.kind != mapNode {
		return append(out, Override{path, n.String()})
	}
	for _, e := range n.keys {
		below := e.key
		if path != "" {
			below = path + "." + e.key
		}
		out = leaves(out, below, e.value)
	}
	return out
}
