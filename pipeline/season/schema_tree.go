package season

import (
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/scanner"
	"github.com/goccy/go-yaml/token"

	"lapwear/stages"
)

// Bounds of a season file. The YAML parser needs time that grows with the square of
// a mapping's keys (measured: 0.7 s for 20,000, 16 s for 100,000), and stack that
// grows with the nesting.
const (
	maxKeys  = 20_000
	maxDepth = 64
	maxTags  = 1_000   // tags, anchors and aliases
	maxNodes = 200_000 // with aliases written out
)

type nodeKind int

const (
	nullNode nodeKind = iota
	scalarNode
	listNode
	mapNode
)

func (k nodeKind) String() string {
	return [...]string{"nothing", "a value", "a list", "a mapping"}[k]
}

// node is a value of the season file with its place.
type node struct {
	pos
	kind  nodeKind
	text  string  // of a scalar, as written
	items []*node // of a list
	keys  []entry // of a mapping, in file order, each key once
	size  int     // nodes within, aliases written out
}

type entry struct {
	key   string
	at    pos
	value *node
}

// get returns the value of a key; nil if there is none.
func (n *node) get(key string) *node {
	if n == nil {
		return nil
	}
	for i := range n.keys {
		if n.keys[i].key == key {
			return n.keys[i].value
		}
	}
	return nil
}

// with returns a copy of a mapping in which key has the value.
func (n *node) with(key string, value *node) *node {
	out := *n
	out.keys = append([]entry(nil), n.keys...)
	for i := range out.keys {
		if out.keys[i].key == key {
			out.keys[i].value = value
			return &out
		}
	}
	out.keys = append(out.keys, entry{key, value.pos, value})
	return &out
}

// String writes the node on one line, in flow style.
func (n *node) String() string {
	switch n.kind {
	case scalarNode:
		return n.text
	case listNode:
		parts := make([]string, len(n.items))
		for i, item := range n.items {
			parts[i] = item.String()
		}
		return "[" + strings.Join(parts, ", ") + "]"
	case mapNode:
		parts := make([]string, len(n.keys))
		for i, e := range n.keys {
			parts[i] = e.key + ": " + e.value.String()
		}
		return "{" + strings.Join(parts, ", ") + "}"
	}
	return "null"
}

// parse reads YAML text into a node; nil when faults say why it cannot.
func parse(file string, text []byte, c *collector) *node {
	b := builder{file: file, c: c, anchors: make(map[string]*node)}
	if line, col, what := badText(text); what != "" {
		c.add(pos{file, line, col}, "save the file as UTF-8", "%s", what)
		return nil
	}
	tokens, ok := b.tokens(string(text))
	if !ok {
		return nil
	}
	root := b.document(tokens)
	switch {
	case root == nil:
		return nil
	case root.size > maxNodes:
		c.add(root.pos, "write less, or use fewer aliases", "more than %d values once aliases are written out", maxNodes)
		return nil
	}
	return root
}

// builder turns the parser's tree into nodes.
type builder struct {
	file    string
	c       *collector
	anchors map[string]*node
	failed  bool
}

func (b *builder) at(t *token.Token) pos {
	if t == nil || t.Position == nil {
		return pos{b.file, 1, 1}
	}
	return pos{b.file, max(t.Position.Line, 1), max(t.Position.Column, 1)}
}

// tokens scans the text, and gives up on what the parser would take too long over
// or nest too deeply in.
func (b *builder) tokens(text string) (token.Tokens, bool) {
	var s scanner.Scanner
	s.Init(text)
	var out token.Tokens
	var n bounds
	for {
		some, err := s.Scan()
		if err == io.EOF {
			return out, true
		}
		for _, t := range some {
			if what, remedy := n.exceeded(t); what != "" {
				b.c.add(b.at(t), remedy, "%s", what)
				return nil, false
			}
		}
		out.Add(some...)
	}
}

// bounds counts what makes a text costly.
type bounds struct{ keys, tags, depth, dashes, line int }

// exceeded counts a token and says which bound it passes; "" if none.
func (n *bounds) exceeded(t *token.Token) (what, remedy string) {
	if t.Position != nil && t.Position.Line != n.line {
		n.line, n.dashes = t.Position.Line, 0
	}
	switch t.Type {
	case token.MappingValueType:
		n.keys++
	case token.TagType, token.AnchorType, token.AliasType:
		n.tags++
	case token.SequenceStartType, token.MappingStartType:
		n.depth++
	case token.SequenceEndType, token.MappingEndType:
		n.depth--
	case token.SequenceEntryType:
		n.dashes++
	case token.MappingKeyType:
		return `a "?" key is not read here`, "write key: value"
	}
	if over := overBounds(n.keys, n.tags, max(n.depth, n.dashes)); over != "" {
		return "more than " + over, "write a plainer file"
	}
	return "", ""
}

func overBounds(keys, tags, depth int) string {
	switch {
	case keys > maxKeys:
		return fmt.Sprintf("%d keys", maxKeys)
	case tags > maxTags:
		return fmt.Sprintf("%d tags, anchors and aliases", maxTags)
	case depth > maxDepth:
		return fmt.Sprintf("%d levels of nesting", maxDepth)
	}
	return ""
}

func (b *builder) document(tokens token.Tokens) *node {
	f, err := safeParse(tokens)
	if err != nil {
		b.syntax(err)
		return nil
	}
	var bodies []ast.Node
	for _, d := range f.Docs {
		if d.Body != nil && d.Body.Type() != ast.CommentType {
			bodies = append(bodies, d.Body)
		}
	}
	switch {
	case len(bodies) == 0:
		b.c.add(pos{b.file, 1, 1}, "see `lapwear demo` for an example of a season file", "nothing in it")
		return nil
	case len(bodies) > 1:
		b.c.add(b.at(firstToken(bodies[1])), "keep one season to a file", "a second document")
		return nil
	}
	root := b.node(bodies[0], 0)
	if b.failed {
		return nil
	}
	return root
}

// firstToken is where a node begins; a block mapping's own token is its colon.
func firstToken(n ast.Node) *token.Token {
	if m, ok := n.(*ast.MappingNode); ok && !m.IsFlowStyle && len(m.Values) > 0 {
		return m.Values[0].Key.GetToken()
	}
	return n.GetToken()
}

// safeParse keeps a defect of the parser on odd text from ending the program.
func safeParse(tokens token.Tokens) (f *ast.File, err error) {
	defer func() {
		if r := recover(); r != nil {
			f, err = nil, fmt.Errorf("the text cannot be read as YAML (%v)", r)
		}
	}()
	return parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
}

func (b *builder) syntax(err error) {
	var y yaml.Error
	if errors.As(err, &y) && y.GetToken() != nil {
		b.c.add(b.at(y.GetToken()), mendYAML(y.GetMessage()), "not valid YAML: %s", printable(y.GetMessage()))
		return
	}
	b.c.add(pos{b.file, 1, 1}, mendYAML(""), "not valid YAML: %s", printable(err.Error()))
}

// mendYAML says what to do about a text that the parser does not understand.
func mendYAML(message string) string {
	if strings.Contains(message, "'\t'") {
		return "indent with spaces, not with tabs"
	}
	return "look here and just above for a wrong indentation or a missing colon, quote or bracket"
}

// printable escapes what would not show in a line of text, and keeps it short.
func printable(s string) string {
	quoted := strconv.Quote(stages.Cut(s))
	return strings.ReplaceAll(quoted[1:len(quoted)-1], `\"`, `"`)
}

// refuse adds a fault after which the tree is not worth reading.
func (b *builder) refuse(n ast.Node, remedy, format string, args ...any) *node {
	at := pos{b.file, 1, 1}
	if n != nil {
		at = b.at(n.GetToken())
	}
	b.c.add(at, remedy, format, args...)
	b.failed = true
	return &node{pos: at}
}

func (b *builder) node(n ast.Node, depth int) *node {
	if depth > maxDepth {
		return b.refuse(n, "write a plainer file", "more than %d levels of nesting", maxDepth)
	}
	switch n := n.(type) {
	case *ast.MappingNode:
		return b.mapping(n, n.Values, depth)
	case *ast.MappingValueNode:
		return b.mapping(n, []*ast.MappingValueNode{n}, depth)
	case *ast.SequenceNode:
		return b.list(n, depth)
	case *ast.AnchorNode:
		return b.anchor(n, depth)
	case *ast.AliasNode:
		return b.alias(n)
	case *ast.TagNode:
		return b.refuse(n, "write the value alone", "a tag is not read here")
	case *ast.LiteralNode:
		return &node{pos: b.at(n.Start), kind: scalarNode, text: n.Value.Value, size: 1}
	case *ast.NullNode:
		return &node{pos: b.at(n.Token), kind: nullNode, size: 1}
	case *ast.StringNode:
		return &node{pos: b.at(n.Token), kind: scalarNode, text: n.Value, size: 1}
	case ast.ScalarNode:
		return &node{pos: b.at(n.GetToken()), kind: scalarNode, text: n.GetToken().Value, size: 1}
	case nil:
		return b.refuse(nil, mendYAML(""), "not valid YAML: a value is missing")
	}
	return b.refuse(n, "write a plain value, a list or a mapping", "a %s is not read here", strings.ToLower(n.Type().String()))
}

func (b *builder) mapping(n ast.Node, values []*ast.MappingValueNode, depth int) *node {
	out := &node{pos: b.at(n.GetToken()), kind: mapNode, size: 1}
	first := make(map[string]int, len(values))
	for i, v := range values {
		key, at, ok := b.key(v)
		if !ok {
			continue
		}
		if m, flow := n.(*ast.MappingNode); i == 0 && (!flow || !m.IsFlowStyle) {
			out.pos = at // a block mapping begins at its first key
		}
		value := b.node(v.Value, depth+1)
		if line, twice := first[key]; twice {
			b.c.add(at, "keep one of the two", "key %q occurs twice, first in line %d", key, line)
			continue
		}
		first[key] = at.line
		out.keys = append(out.keys, entry{key, at, value})
		out.size = min(out.size+value.size, maxNodes+1)
	}
	return out
}

func (b *builder) key(v *ast.MappingValueNode) (string, pos, bool) {
	if s, ok := v.Key.(*ast.StringNode); ok {
		return s.Value, b.at(s.Token), true
	}
	if v.Key == nil || v.Key.IsMergeKey() {
		b.refuse(v, "repeat the keys", "a merge key \"<<\" is not read here")
		return "", pos{}, false
	}
	s, ok := v.Key.(ast.ScalarNode)
	if !ok {
		b.refuse(v, "write a plain name", "a key that is not a plain name")
		return "", pos{}, false
	}
	return s.GetToken().Value, b.at(s.GetToken()), true
}

func (b *builder) list(n *ast.SequenceNode, depth int) *node {
	out := &node{pos: b.at(n.Start), kind: listNode, size: 1}
	for _, v := range n.Values {
		item := b.node(v, depth+1)
		out.items = append(out.items, item)
		out.size = min(out.size+item.size, maxNodes+1)
	}
	return out
}

func (b *builder) anchor(n *ast.AnchorNode, depth int) *node {
	value := b.node(n.Value, depth+1)
	if n.Name != nil {
		b.anchors[n.Name.GetToken().Value] = value
	}
	return value
}

// alias gives the anchor's node itself: shared, so a bomb costs nothing until it
// is counted, and never a cycle, as a name is known only once its value is built.
func (b *builder) alias(n *ast.AliasNode) *node {
	if n.Value == nil {
		return b.refuse(n, "name an anchor", "an alias without a name")
	}
	name := n.Value.GetToken().Value
	if value, ok := b.anchors[name]; ok {
		return value
	}
	return b.refuse(n, fmt.Sprintf("write &%s before it", name), "alias %q has no anchor before it", name)
}
