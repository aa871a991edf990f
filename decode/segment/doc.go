// Package segment finds the frames in the raw bytes of a serial line, RTU or
// ASCII, and pairs them into exchanges. It hears both directions and trusts no
// time between bytes, because adapters destroy it; stamps are evidence where
// they are given.
//
// A frame stands where the length that its function implies ends in a right
// check. Which of these stand, and which way they go, follows from the whole: a
// path through a bounded window of bytes collects points for what a line does
// (an answer fits its request, requests and answers alternate, nothing lies
// between) and loses them for what it does not do. Links that send and know what
// they await use frame.Codec instead.
package segment
