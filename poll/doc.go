// Package poll reads a line as the panel would: it goes through the plan,
// cycle after cycle, and turns each answer into readings with quality and
// cause. What a station refuses is narrowed down and remembered.
//
// It opens nothing: exchanges come from a link, events go to a sink, and the
// clock is passed in. Writing is not done here; poll/gate is the one way.
package poll
