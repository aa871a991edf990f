// Package capture reads what a network or a serial line carried out of capture
// files, pcap and pcapng: packets, the byte streams of their TCP connections put
// together again, and the Modbus frames in them, paired into exchanges. It also
// writes what was heard on a serial line as a pcapng file.
//
// It trusts nothing in a file: what a packet claims is held against what is
// there, memory is bounded per stream and in all, and a hole in a stream is said
// and never read over. It judges nothing: decode says what a frame means,
// decode/traffic what the traffic shows.
package capture
