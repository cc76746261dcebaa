package pipeline

// StageReport sums up what became of a stage's tasks.
type StageReport struct {
	Planned  int     `json:"planned"`  // tasks of the stage
	Hit      int     `json:"hit"`      // found in the store
	Computed int     `json:"computed"` // computed in this run
	Seconds  float64 `json:"seconds"`  // spent computing, summed over workers
}

// SetAside is a lap that is not used, and why.
type SetAside struct {
	Lap    string `json:"lap_id"`
	Reason string `json:"reason"`
}

// Failure is a task that concerns no single lap and has no result.
type Failure struct {
	Task   string `json:"task"`
	Reason string `json:"reason"`
}

// Stages sums up the session by stage.
func (s *Session) Stages() map[string]StageReport {
	out := map[string]StageReport{}
	for id := range s.states {
		st := &s.states[id]
		r := out[s.g.Task(TaskID(id)).Stage.Name()]
		r.Planned++
		switch {
		case st.Fresh:
			r.Computed++
		case st.Status == Hit || st.Status == Refused:
			r.Hit++
		}
		r.Seconds += st.Seconds
		out[s.g.Task(TaskID(id)).Stage.Name()] = r
	}
	return out
}

// SetAside lists the laps that have a task without result, each once, with the
// first cause, in the order of their tasks.
func (s *Session) SetAside() []SetAside {
	var out []SetAside
	seen := map[string]bool{}
	for id := range s.states {
		st, t := &s.states[id], s.g.Task(TaskID(id))
		if t.Lap == "" || st.OK() || st.Status == Pending || st.Status == Unknown || seen[t.Lap] || !s.ownFault(TaskID(id)) {
			continue
		}
		seen[t.Lap] = true
		out = append(out, SetAside{t.Lap, st.Reason})
	}
	return out
}

// ownFault tells whether a task has no result through its own lap's fault, and not
// because something that all laps share has failed.
func (s *Session) ownFault(id TaskID) bool {
	if s.states[id].Status != Skipped {
		return true
	}
	for _, r := range s.g.Task(id).Inputs {
		if !r.Optional && !s.states[r.Task].OK() {
			return s.g.Task(r.Task).Lap != "" && s.ownFault(r.Task)
		}
	}
	return true
}

// Failures lists the tasks that concern no single lap and have no result.
func (s *Session) Failures() []Failure {
	var out []Failure
	for id := range s.states {
		st, t := &s.states[id], s.g.Task(TaskID(id))
		if t.Lap == "" && (st.Status == Refused || st.Status == Failed) {
			out = append(out, Failure{t.Name, st.Reason})
		}
	}
	return out
}

// Plan looks up every task without computing any. Where an input has yet to be
// computed, the task is Unknown: it may turn out to be a hit.
func (s *Session) Plan() {
	s.takeIn()
	for id := range s.states {
		if s.states[id].Status == Pending {
			s.states[id] = s.planned(TaskID(id))
		}
	}
}

func (s *Session) planned(id TaskID) State {
	t := s.g.Task(id)
	for i := range t.Inputs {
		if in := &s.states[t.Inputs[i].Task]; in.Status == Unknown || in.Status == Pending {
			return State{Status: Unknown, Miss: "an input has to be computed first"}
		}
	}
	if cause, blocked := s.blocked(t); blocked {
		return State{Status: Skipped, Reason: cause}
	}
	file, err := s.recording(t)
	s.contents.give(file.Content) // only its hash is needed
	if err != nil {
		return State{Status: Failed, Reason: err.Error()}
	}
	st, err := s.lookUp(t, file, s.hasher)
	switch {
	case err != nil:
		return State{Status: Failed, Reason: err.Error()}
	case st.Status == Pending:
		st.Status = Unknown
	}
	return st
}
