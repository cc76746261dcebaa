package season

import (
	"fmt"
	"runtime"
	"testing"

	"lapwear/pipeline"
)

// graphOf builds the graph of a season of so many laps and eight hot spots, and returns the bytes of heap that it holds.
func graphOf(t *testing.T, laps int) (bytes int64, tasks int) {
	t.Helper()
	s := tinySeason(t)
	lap, spot := s.Laps[0], s.Hotspots[0]
	s.Laps, s.Hotspots = nil, nil
	for i := range laps {
		lap.ID = fmt.Sprintf("L%05d", i)
		lap.StartS = float64(i)
		s.Laps = append(s.Laps, lap)
	}
	for i := range 8 {
		spot.Name = fmt.Sprint("spot ", i)
		spot.StressFactor = 1 + float64(i)/8
		s.Hotspots = append(s.Hotspots, spot)
	}
	held := func() int64 {
		runtime.GC()
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return int64(m.HeapAlloc)
	}
	before := held()
	b := newGraphBuilder([]Scenario{{Name: BaseScenario, Season: s}}, func(string) int64 { return 0 })
	session := pipeline.NewSession(b.graph, pipeline.Options{})
	b.season()
	bytes = held() - before
	runtime.KeepAlive(session)
	runtime.KeepAlive(s)
	return bytes, b.graph.Len()
}

// What a season's graph holds for a task of a lap does not creep up: memory would grow with the laps. A task is its struct, its name, its
// inputs, its places in the lists of those that draw the laps together; parameters and labels it shares with others.
func TestGraphIsSmall(t *testing.T) {
	const most = 750 // bytes
	few, fewTasks := graphOf(t, 500)
	many, manyTasks := graphOf(t, 2000)
	if per := (many - few) / int64(manyTasks-fewTasks); per > most {
		t.Errorf("a task of a lap holds %d bytes, want at most %d", per, most)
	} else {
		t.Logf("a task of a lap holds %d bytes", per)
	}
}
