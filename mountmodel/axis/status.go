package axis

// Status is how the axis stands: with its uncertainty, against the pole,
// and what to do about it.
type Status struct {
	Axis   Axis
	Offset Offset
	Move   Move
}
