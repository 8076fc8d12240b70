package watch

// event is what the operating system tells of a file or folder.
type event struct {
	path    string
	created bool // a name that was not there before
	closed  bool // by who wrote it, or renamed into place: nothing more is to come
	rights  bool // nothing but rights or times changed
}

// notices are the operating system's events; the zero value has none.
type notices struct {
	events <-chan event
	errors <-chan error // events were lost
	watch  func(folder string) error
	close  func()
}
