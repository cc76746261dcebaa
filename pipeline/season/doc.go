// Package season turns a season file into a validated season and the season into
// a graph of tasks.
//
//   - A Season is one component over one season: its recordings, the channels in
//     them, the hotspots whose stress follows a channel, their materials, and the target.
//   - A Lap is a row of the manifest: a recording, or a stretch of one, with who
//     rode where.
//   - A Planned row of the calendar says how many laps the component will really
//     run at a circuit. Its basis is the circuit's own recorded laps, or the fleet:
//     the recorded laps of all circuits, per kilometre.
//   - A Scenario is the season with some values replaced, by dotted path. It is
//     validated as a season of its own.
//   - A check looks for one sort of fault in a lap's samples. Its limit and its severity
//     are the season's; a manifest's row may accept what it finds, with a reason.
//   - A Fault is something wrong in one of these files, with its place and a remedy.
//     A Warning is the same for what a run can live with.
//
// Quantities carry their unit in the files and are kept in MPa, Hz and s; shares
// are fractions. Channels keep the unit of the recording.
//
// Load reads the season file, the manifest and the calendar, and never a
// recording. It reports all faults, with two exceptions: text that is no YAML has only
// its first error, and at most a thousand faults are listed. Without allow_outside no path
// leaves the season file's folder as it is found at that moment; a link that is changed
// later is not noticed.
package season
