// Package decode turns what travels on a line into what it means: stamps,
// exchanges, readings, findings and the one stream of events that every
// consumer eats. Frames and their rules are in decode/frame.
//
// It opens nothing and keeps no clock of its own: a clock is passed in.
package decode
