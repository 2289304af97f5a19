package store

// Step is a part of a command: it looks at the store and decides entries, or
// further steps. Make one with NewStep or StepFunc.
type Step struct {
	run func(View) ([]Draft, []Step, error)
}

// NewStep returns a step that loads facts and decides on them. load must read
// by key and by bounded ranges only, since the writer waits for it; decide is
// a pure function of the facts. Neither may keep the view or hold state: the
// step may be run again.
func NewStep[F any](load func(View) (F, error), decide func(F) ([]Draft, error)) Step {
	return Step{run: func(v View) ([]Draft, []Step, error) {
		facts, err := load(v)
		if err != nil {
			return nil, nil, err
		}
		drafts, err := decide(facts)
		return drafts, nil, err
	}}
}

// StepFunc returns a step that is expanded when its turn comes: expand sees
// what the steps before it wrote and returns the steps to run in its place.
func StepFunc(expand func(View) ([]Step, error)) Step {
	return Step{run: func(v View) ([]Draft, []Step, error) {
		steps, err := expand(v)
		return nil, steps, err
	}}
}

// Run runs the step on a view. It is for engines. The steps returned are to be
// run next, before those that follow the step. The zero Step does nothing.
func (s Step) Run(v View) ([]Draft, []Step, error) {
	if s.run == nil {
		return nil, nil, nil
	}
	return s.run(v)
}

// OnError returns the step with its errors, and those of the steps it expands
// into, passed through name: a caller that takes many records as one command
// says which of them was refused.
func (s Step) OnError(name func(error) error) Step {
	return Step{run: func(v View) ([]Draft, []Step, error) {
		drafts, steps, err := s.Run(v)
		if err != nil {
			return nil, nil, name(err)
		}
		for i, next := range steps {
			steps[i] = next.OnError(name)
		}
		return drafts, steps, nil
	}}
}
