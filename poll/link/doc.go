// Package link carries requests over one stream and brings back exchanges: an
// answer, an exception, or the reason why there is neither. It knows when an
// answer belongs to a request, how long to wait, when to repeat and when never
// to, and it opens the stream again when it was lost.
//
// Three places differ. With MBAP framing up to 16 requests are open at once and
// the transaction identifier says what is answered. RTU and ASCII frames do
// not say what they answer: there one request is open at a time and a ledger
// of owed answers keeps a late answer from being taken for the next one. What
// dials, and what it dials, is the caller's.
//
// The package plans nothing, schedules nothing and knows no points; poll does.
// A request that changes a station needs a permit, which only poll/gate makes.
package link
