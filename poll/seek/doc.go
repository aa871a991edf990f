// Package seek finds the settings of a line that nobody knows and the units
// that answer on it, with reads only: functions 01 to 04, and for the card of a
// unit that answers 2B/0E and 11. It listens before it asks, keeps a low rate,
// believes nothing that fitted once, and stops at the first sign that a station
// suffers. Listen is for every other command that is about to transmit.
//
// Streams are opened by the caller, at the settings that it is given; requests
// go through poll/link. What a line's registers mean is nobody's business here.
package seek
