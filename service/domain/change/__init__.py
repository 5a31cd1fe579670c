"""Is it working: change against measurement error, trend, plateau, and what happened during each phase.

Everything here is a pure function of trajectories (`comparable.Trajectory`). What cannot be told is a `Missing` that
says why. "During" a phase never means "because of" it.
"""
