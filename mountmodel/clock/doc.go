// Package clock tells what is doubtful about the times and the place of frames.
//
// In: of each frame, when its exposure began by its header, when its file was
// written, when it was heard of; and the longitude. Out: whether these clocks
// agree, and the likeliest mistake where they do not ([Check]); what the site of
// another source does to the answer ([CompareSites]); whether the Sun was up while
// stars were seen, or hardly down under a dark sky ([Daylight]), whether exposures overlap ([Overlap]), and whether the air in the frames puts the
// zenith where place and time do ([TurnedByAir], [AgreesByAir]). What a wrong clock or place
// does to the axis is derived in clock.go. Time zones: IANA time zone database.
//
//	clock.go         one frame's clocks; the site of another source
//	monitor.go       the clocks of frames as they come in ([Monitor])
//	night.go         stars by day, a dark sky in twilight, exposures at once
//	compression.go   where the zenith stood, by the air in the frames
//	stated.go        what headers state of local time, sidereal time and altitude ([Disagreement])
//	suggest.go       the likeliest mistake, and the value without it ([Suggest])
package clock
