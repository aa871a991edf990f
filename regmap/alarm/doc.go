// Package alarm says when a value is an alarm and what state that alarm is in:
// limits with deadband, delays and latch, alarms of single bits, acknowledging
// and resetting.
//
// Everything is a pure function. Time is an argument, a reading of any steady
// clock; the state is a plain value that can be kept, stored and gone on with.
// Nothing is known here of points, maps or lines: regmap says which limits a
// point has, the floors above bring the values.
//
// The states are those of ISA-18.2-2016 and IEC 62682:2014 (from memory). The
// suppressed group of those standards (shelved, suppressed by design, out of
// service) is left to whoever shows the alarms. Rules on which the standards
// are silent say so where they stand.
package alarm
