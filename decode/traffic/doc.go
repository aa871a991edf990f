// Package traffic is the one engine of statistics and findings over
// exchanges: the health of a line that is polled, the reading of traffic that
// was heard, and the report on what a panel asked of a station.
//
// A State eats events one at a time in bounded memory, so a stream may last
// for days; findings and reports are made from it at any moment and change
// nothing in it. Each finding is a small function over the state in a file of
// its own, listed in rules.go.
//
// It opens nothing and keeps no clock: all times are those of the exchanges.
package traffic
