// Package demo invents a racing season: the recordings, the manifest, the calendar
// and the season file of the cradle that carries the inverter of an electric
// endurance bike. It exists to show and to try out lapwear without anyone's data.
//
//   - A circuit is a track of known length, laid out once and for all: corners,
//     surface, kerbs, and the speed that they allow.
//   - An event is one circuit's practice, qualifying and race; a test is a session
//     with strain gauges fitted.
//   - A stint is some laps of one rider on one bike with one setup.
//   - A lap is one recording, synthesized from its circuit and its stint.
//   - A dialect is the form of a recording: Parquet, or one of several sorts of CSV.
//   - The fault is one lap whose recording cannot be read as numbers.
//
// # The circuits
//
// All are invented: names, lengths, surfaces. Vibration is vertical, at 50 m/s on
// the plain surface; a patch of broken surface is that much rougher at its middle;
// strikes are kerb strikes in an ordinary lap and their middling peak.
//
//	circuit     length  corners  vibration  patches  strikes   character
//	            km               g rms
//	Halvorn     4.62    13       0.98       3 x 1.5   6, 4.8 g  flowing, middling in all
//	Brekkona    3.18    11       1.42       6 x 1.9  11, 7.0 g  short, broken surface, high kerbs
//	Saltmarn    5.24    12       0.70       2 x 1.3   3, 3.6 g  fast and flat, on a salt plain
//	Tirvane     4.05    14       1.12       4 x 1.7   8, 5.4 g  tight, patched
//	Oskelund    3.46    10       0.86       3 x 1.4   9, 5.2 g  smooth, but the line runs over the kerbs
//	Quarrow     4.88    14       1.24       7 x 2.0   5, 5.6 g  old, bumpy, few kerbs
//	Vintermoor  5.61    13       0.64       1 x 1.3   2, 3.4 g  new surface, very fast
//	Pellagrove  3.82    13       1.04       4 x 1.6  14, 6.0 g  chicanes, kerb after kerb
//	Dunmirk     3.02     9       1.30       5 x 1.8   7, 6.2 g  shortest, rough concrete
//	Lagodora    4.31    12       0.76       2 x 1.4   4, 4.2 g  smooth, wide, mild kerbs
//
// # The model
//
// Invented, but of the sort that such a bike shows:
//
//   - Speed: a corner of radius r is taken at v = sqrt(1.25 g r); between corners
//     the bike drives and brakes within fixed limits. A rider scales the speed.
//   - Vertical: Gaussian noise. A road whose height falls with the square of the
//     wave number gives an acceleration whose level grows with sqrt(v); it reaches
//     the cradle through resonances at 3.2 Hz (springs), 18.5 Hz (tyres), 31 Hz
//     (frame) and 44 Hz (cradle), each a band with power r²/((1-r²)²+(2dr)²), r
//     being frequency over resonance and d its damping. Above 90 Hz it dies away.
//     Leaning at a sideways acceleration a (in g) adds sqrt(1+a²)-1.
//   - Lengthwise: the acceleration of the speed, plus noise with resonances at 7,
//     24 and 39 Hz that shares 30 % of its amplitude with the vertical one.
//   - Sideways: a bike leans until little is left across it; 12 % of the cornering
//     acceleration, plus noise.
//   - A kerb strike is a pair of decaying rings, front wheel and rear, of 35 Hz
//     vertically, 28 Hz lengthwise and 42 Hz sideways. Peaks are log-normal.
//   - The motor's first order, 2.9 Hz per m/s, shows in the accelerometers once it
//     is above 100 Hz. The cradle does not follow it: the gauges do not see it.
//   - Rider, bike and setup are factors on vibration and strikes, from -5 to +7 %;
//     riders also differ in speed and in how often they hit a kerb. Laps scatter by
//     2 % on top.
//   - Stress: 8.4 MPa per g vertical at the weld toe, 5.2 MPa per g lengthwise at
//     the bolt bore, without lag, each with a little from a second axis and noise.
//     A gauge reads stress over 71 GPa, from a zero of its own.
//
// Every lap draws from its own PCG stream, seeded by the season's seed and the
// lap's identifier, so a lap does not depend on the others nor on their order.
//
// # What is not guaranteed
//
// The model is no statement about any vehicle, and the season releases no part.
// Equal seeds give equal bytes on one architecture and one version of this
// program's libraries; elsewhere a compressor or a rounding may differ.
package demo
