package condense

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"testing"

	"lapwear/cache/key"
	"lapwear/fatigue"
	"lapwear/stages"
	"lapwear/stages/damage"
	"lapwear/stages/frame"
)

const rate = 256.0

func spot(name string, slope float64) damage.Spot {
	return damage.Spot{Name: name, Transfer: fatigue.Transfer{Gain: 8, Factor: 1},
		Strength: damage.Strength{Survival: 0.5, Residue: damage.Carry,
			Material: fatigue.Material{Name: "made up", Curve: fatigue.Power{RefAmplitude: 90, RefCycles: 1e6, Slope: slope}}}}
}

// bursts is a quiet signal with ringing blows at some seconds.
func bursts(seconds float64, seed uint64, at []float64, size float64) []float64 {
	r := rand.New(rand.NewPCG(seed, 1))
	x := make([]float64, int(seconds*rate))
	for i := range x {
		t := float64(i) / rate
		x[i] = 0.05*math.Sin(2*math.Pi*3.1*t) + 0.02*r.NormFloat64()
		for _, b := range at {
			if t > b {
				x[i] += size * math.Exp(-(t-b)*9) * math.Sin(2*math.Pi*17*(t-b))
			}
		}
	}
	return x
}

func signal(x []float64) *frame.Frame {
	return frame.Must([]frame.Attr{frame.Num("rate_hz", "Hz", rate), frame.Num("start_s", "s", 0)}, frame.Col("value", "g", x))
}

// inputs gives every spot a signal of its own, which is a channel, too.
func inputs(p Params, x ...[]float64) stages.Inputs {
	var in stages.Inputs
	for i, s := range p.Spots {
		in.Frames = append(in.Frames, stages.Input{Label: SpotInput(s.Name), Frame: signal(x[i])})
	}
	for i, c := range p.Channels {
		in.Frames = append(in.Frames, stages.Input{Label: ChannelInput(c), Frame: signal(x[i])})
	}
	return in
}

func run(t *testing.T, p Params, x ...[]float64) map[string]*frame.Frame {
	t.Helper()
	out, err := p.Run(context.Background(), inputs(p, x...))
	if err != nil {
		t.Fatal(err)
	}
	m := map[string]*frame.Frame{}
	for _, o := range out {
		m[o.Name] = o.Frame
	}
	return m
}

func params(channels ...string) Params {
	return Params{Spots: []damage.Spot{spot("toe", 5)}, Channels: channels, Share: 0.8, Blend: 0.1}
}

func column(t *testing.T, f *frame.Frame, name string) []float64 {
	t.Helper()
	v, err := frame.Get[[]float64](f, name)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// The share that the stage reports is that of the finished signal: it is counted anew
// here, by the rainflow count and the S-N line alone.
func TestShareIsThatOfTheFinishedSignal(t *testing.T) {
	x := bursts(60, 1, []float64{7, 19, 33, 48}, 4)
	out := run(t, params("acc_z"), x)
	cut := column(t, out[Cut], ChannelInput("acc_z"))
	law := func(x []float64) (once float64) { // N = 1e6·(S/90)^-5
		c, err := fatigue.CountCycles(x, 0)
		if err != nil {
			t.Fatal(err)
		}
		half := fatigue.HalfCycles(c.Residue)
		for i := range c.Closed.From {
			once += math.Pow(8*c.Closed.Amplitude(i)/90, 5) / 1e6
		}
		for i := range half.From {
			once += math.Pow(8*half.Amplitude(i)/90, 5) / 2e6
		}
		return once
	}
	shares, err := ReadShares(out[Shares])
	if err != nil {
		t.Fatal(err)
	}
	s := shares[0]
	if got := law(cut); math.Abs(got/s.Cut.Once-1) > 1e-9 {
		t.Errorf("the cut does %g, reported %g", got, s.Cut.Once)
	}
	if got := law(x); math.Abs(got/s.Lap.Once-1) > 1e-9 {
		t.Errorf("the lap does %g, reported %g", got, s.Lap.Once)
	}
	if got := law(cut) / law(x); got < 0.8 || s.Share < 0.8 || s.Share > got*(1+1e-9) {
		t.Errorf("share %g, reported %g, want at least 0.8", got, s.Share)
	}
	if s.Joints > jointLimit {
		t.Errorf("cycles that turn in joints do %g of the damage", s.Joints)
	}
	before, _ := out[Cut].Number("seconds_before")
	after, _ := out[Cut].Number("seconds_after")
	if before != 60 || after != float64(len(cut))/rate || after > 8 {
		t.Errorf("%g s of %g s are left, want the blows alone", after, before)
	}
}

// Two hot spots are worn by other events: both keep their share.
func TestEveryHotSpotKeepsItsShare(t *testing.T) {
	p := params("acc_z", "acc_x")
	p.Spots = append(p.Spots, spot("bore", 7))
	for _, share := range []float64{0.5, 0.8, 0.95} {
		p.Share = share
		out := run(t, p, bursts(80, 2, []float64{9, 30, 51}, 4), bursts(80, 3, []float64{14, 40, 66, 70}, 3))
		shares, err := ReadShares(out[Shares])
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range shares {
			if s.Share < share {
				t.Errorf("%s keeps %g, want %g", s.Hotspot, s.Share, share)
			}
		}
	}
}

// Law: pieces are the lap's own samples, joints lie between two of them, and all
// channels are cut at the same places.
func TestJointsLieBetweenTheLapsSamples(t *testing.T) {
	x := bursts(60, 4, []float64{7, 21, 44}, 4)
	y := make([]float64, len(x))
	for i := range y {
		y[i] = float64(i) // tells where a sample comes from
	}
	p := params("acc_z", "clock")
	in := inputs(p, x, y)
	out, err := p.Run(context.Background(), in)
	if err != nil {
		t.Fatal(err)
	}
	var cut, pieces *frame.Frame
	for _, o := range out {
		switch o.Name {
		case Cut:
			cut = o.Frame
		case Pieces:
			pieces = o.Frame
		}
	}
	got, clock := column(t, cut, ChannelInput("acc_z")), column(t, cut, ChannelInput("clock"))
	from, to, at := column(t, pieces, "from_s"), column(t, pieces, "to_s"), column(t, pieces, "at_s")
	m := int(math.Round(0.1 * rate))
	for i := range from {
		a, b, c := int(math.Round(from[i]*rate)), int(math.Round(to[i]*rate)), int(math.Round(at[i]*rate))
		for k := 0; k < b-a; k++ {
			if got[c+k] != x[a+k] || clock[c+k] != float64(a+k) {
				t.Fatalf("piece %d, sample %d is not the lap's", i, k)
			}
		}
		next := int(math.Round(from[(i+1)%len(from)] * rate))
		for k := range m {
			p, q := x[b+k], x[next-m+k]
			if v := got[c+b-a+k]; v < min(p, q)-1e-12 || v > max(p, q)+1e-12 {
				t.Fatalf("joint %d, sample %d: %g is not between %g and %g", i, k, v, p, q)
			}
		}
	}
}

// The cut's length suits the Fourier transform and the rig's rate.
func TestLengthIsAMultiple(t *testing.T) {
	p := params("acc_z")
	for _, multiple := range []int{1, 32, 125} {
		p.Multiple = multiple
		out := run(t, p, bursts(60, 5, []float64{7, 21, 44}, 4))
		if n := out[Cut].Rows(); n%multiple != 0 || !smooth(n/multiple) {
			t.Errorf("%d samples: not a multiple of %d without prime factors above 7", n, multiple)
		}
	}
}

// A longer cut keeps no less, as far as the wanted shares tell.
func TestCurveRises(t *testing.T) {
	out := run(t, params("acc_z"), bursts(60, 6, []float64{7, 21, 44, 52}, 4))
	seconds, share := column(t, out[Curve], "seconds"), column(t, out[Curve], "share")
	if len(seconds) != len(wantedShares) {
		t.Fatalf("%d points, want %d", len(seconds), len(wantedShares))
	}
	for i := 1; i < len(seconds); i++ {
		if seconds[i] < seconds[i-1] || share[i] < share[i-1]-0.02 {
			t.Errorf("point %d: %g s keep %g, the one before %g s keep %g", i, seconds[i], share[i], seconds[i-1], share[i-1])
		}
	}
	if last := share[len(share)-1]; last < 0.97 {
		t.Errorf("all events keep %g", last)
	}
}

func TestRefusals(t *testing.T) {
	stamped := frame.Must([]frame.Attr{frame.Num("rate_hz", "Hz", rate), frame.Num("start_s", "s", 0)},
		frame.Col("value", "g", make([]float64, 9)), frame.Col("time_s", "s", make([]float64, 9)))
	other := frame.Must([]frame.Attr{frame.Num("rate_hz", "Hz", 100), frame.Num("start_s", "s", 0)}, frame.Col("value", "g", make([]float64, 2000)))
	long := signal(bursts(20, 1, nil, 0))
	for _, c := range []struct {
		reason   string
		toe, acc *frame.Frame
		want     string
	}{
		{"a lap shorter than its joints", signal(make([]float64, 100)), signal(make([]float64, 100)), "too short for joints"},
		{"uneven time", stamped, stamped, "signal: rate"},
		{"two rates", long, other, "signal: rate"},
		{"a sample that is no number", signal(append(make([]float64, 3000), math.NaN())), long, "sample 3000"},
	} {
		_, err := params("acc_z").Run(context.Background(), stages.Inputs{Frames: []stages.Input{
			{Label: SpotInput("toe"), Frame: c.toe}, {Label: ChannelInput("acc_z"), Frame: c.acc}}})
		var refusal *stages.Refusal
		if !errors.As(err, &refusal) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want a refusal with %q", c.reason, err, c.want)
		}
	}
}

// A hot spot without damage asks for nothing.
func TestNoDamageNoDemand(t *testing.T) {
	p := params("acc_z")
	still := spot("still", 5)
	still.Transfer.Gain = 0
	p.Spots = append(p.Spots, still)
	x := bursts(60, 7, []float64{9, 30}, 4)
	in := inputs(p, x, x)
	out, err := p.Run(context.Background(), in)
	if err != nil {
		t.Fatal(err)
	}
	shares, err := ReadShares(out[2].Frame)
	if err != nil {
		t.Fatal(err)
	}
	if s := shares[1]; s.Share != 1 || s.Lap.Repeated != 0 {
		t.Errorf("%+v, want a share of 1 of nothing", s)
	}
}

// Numbers that change without a new Revision would leave old results in caches.
func TestRevision(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("pinned on amd64")
	}
	out, err := params("acc_z").Run(context.Background(), inputs(params("acc_z"), bursts(60, 8, []float64{7, 21, 44}, 4)))
	if err != nil {
		t.Fatal(err)
	}
	h := key.New("test", 1, "")
	for _, o := range out {
		h.ID(o.Name, key.Of(o.Frame.AppendEncoded(nil)))
	}
	const want = "a65c2c39f96d52f7112ed56cee50f8653990693419acd392ea870949d301fe6b"
	if got := h.Sum().String(); got != want {
		t.Errorf("outputs hash to %s, want %s; if the change is meant, raise Revision and pin it", got, want)
	}
}

// The outline holds the lap's extents, and what it says is kept is what the cut takes of the lap: counted here from the pieces, which
// hold the cut's own length but for the joints, each as long as the blend that two pieces share.
func TestOutlineShowsTheLapAndWhatIsKept(t *testing.T) {
	x := bursts(60, 8, []float64{7, 21, 44}, 4)
	out := run(t, params("acc_z"), x)
	o := out[Outline]
	low, high := column(t, o, "low_unit"), column(t, o, "high_unit")
	if a, b := slices.Min(low), slices.Max(high); a != slices.Min(x) || b != slices.Max(x) {
		t.Errorf("the outline reaches from %g to %g, the lap from %g to %g", a, b, slices.Min(x), slices.Max(x))
	}
	from, to, kept := column(t, o, "from_s"), column(t, o, "to_s"), column(t, o, "kept")
	seconds := 0.0
	for i := range kept {
		seconds += kept[i] * (to[i] - from[i])
	}
	begin, end := column(t, out[Pieces], "from_s"), column(t, out[Pieces], "to_s")
	want := 0.0
	for i := range begin {
		want += end[i] - begin[i]
	}
	if math.Abs(seconds-want) > 1e-9 || from[0] != 0 || to[len(to)-1] != 60 {
		t.Errorf("the outline keeps %g s of %g to %g s, the pieces hold %g s", seconds, from[0], to[len(to)-1], want)
	}
}
