// Package clock tells what is doubtful about the times and the place of frames.
//
// In: of each frame, when its exposure began by its header, when its file was
// written, when it was heard of; and the longitude. Out: whether these clocks
// agree, and the likeliest mistake where they do not ([Check]); what the site of
// another source does to the answer ([CompareSites]); whether the Sun was up while
// stars were seen ([Daylight]), and whether exposures overlap ([Overlap]). What a wrong clock or place
// does to the axis is derived in clock.go. Time zones: IANA time zone database.
//
//	clock.go    one frame's clocks; the site of another source
//	monitor.go  the clocks of frames as they come in ([Monitor])
//	night.go    stars by day, exposures at once
//	suggest.go  the likeliest mistake, and the value without it ([Suggest])
package clock
