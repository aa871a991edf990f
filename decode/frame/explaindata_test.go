package frame

import (
	"strings"
	"testing"

	"plumbline/regmap"
	"plumbline/regmap/line"
)

// wordsOf are the words of all fields of a PDU, one a line.
func wordsOf(pdu []byte, d Direction, asked *Request) string {
	var all []string
	for _, f := range Explain(0, pdu, d, asked) {
		all = append(all, f.Words)
	}
	return strings.Join(all, "\n")
}

// What each vector's response is said to hold stands in its words. Sources: the
// vectors' clauses, V1.1b3 6.8.1, 6.13, 6.14, 6.15, 6.18, 6.21.
func TestExplainDecodesWhole(t *testing.T) {
	want := map[string][]string{
		"fc08-00-return-query-data":          {"as it was sent"},
		"fc08-01-restart-keep-log":           {"0000: the event log stays"},
		"fc08-02-return-diagnostic-register": {"diagnostic register 0000000000000000"},
		"fc08-0B-bus-message-count":          {"seen on the line with a right check"},
		"fc08-0C-bus-comm-error-count":       {"wrong checks, spoiled characters, frames below 3 bytes"},
		"fc08-0D-bus-exception-error-count":  {"exceptions, those found in broadcasts too"},
		"fc08-0E-server-message-count":       {"to this station, broadcasts too"},
		"fc08-0F-server-no-response-count":   {"without an answer; each broadcast counts"},
		"fc08-10-server-nak-count":           {"with exception 07"},
		"fc08-11-server-busy-count":          {"with exception 06, busy"},
		"fc2B0E-basic-one-response":          {"object 0, vendor name", "Company identification", "object 1, product code", "object 2, revision", "V2.11"},
		"fc08-12-character-overrun-count":    {"lost to character overruns"},
		"fc11-report-server-id":              {"run indicator: on"},
		"fc14-read-file-record-two-groups":   {"file 4 record 1: 3582", "file 4 record 2: 32", "file 3 record 9: 13261", "file 3 record 10: 64"},
		"fc15-write-file-record":             {"file 4 record 7: 1711", "file 4 record 8: 1214", "file 4 record 9: 4109"},
		"fc18-read-fifo-queue":               {"41248 (address 1247): 440", "41249 (address 1248): 4740"},
	}
	found := 0
	for _, row := range loadVectors(t).all() {
		q, _ := ParseRequest(unhex(t, row.Request.PDU))
		text := wordsOf(unhex(t, row.Request.PDU), Asking, nil)
		if row.Response != nil {
			text += "\n" + wordsOf(unhex(t, row.Response.PDU), Answering, &q)
		}
		if strings.Contains(text, "%!") {
			t.Errorf("%s: %s", row.ID, text)
		}
		for id, words := range want {
			if row.ID != id {
				continue
			}
			found++
			for _, w := range words {
				if !strings.Contains(text, w) {
					t.Errorf("%s: %q is not in:\n%s", id, w, text)
				}
			}
		}
	}
	if found != len(want) {
		t.Errorf("%d of %d vectors found", found, len(want))
	}
}

// Bits of events, values outside the standard's lists, and identifiers without
// a border. Source: V1.1b3 6.10, 6.13, 6.21.
func TestExplainOddData(t *testing.T) {
	for _, c := range []struct {
		pdu  string
		d    Direction
		want string
	}{
		{"0C 08 00 00 00 00 00 00 C2 41", Answering, "receive event: communication error, broadcast"},
		{"0C 08 00 00 00 00 00 00 C2 41", Answering, "send event: exception 01 to 03 sent"},
		{"08 00 03 0D 00", Asking, `'\r' ends ASCII frames from now on`},
		{"08 00 01 FF 00", Asking, "FF00: the event log is cleared too"},
		{"08 00 0B 00 01", Answering, "1 message seen on the line"},
		{"08 00 0B 00 00", Asking, "data word 0000"},
		{"11 03 41 42 43", Answering, "somewhere in it the run indicator (FF on, 00 off): ABC"},
		{"11 04 41 00 42 43", Answering, "run indicator: off"},
		{"2B 0E 04 85", Asking, "object 133, the maker's"},
		{"2B 0E 07 10", Asking, "access code 7; 1 to 4 are allowed\nobject 16, reserved"},
		{"2B 0E 01 83 00 00 00", Answering, "basic, regular and extended objects, as a stream or one alone"},
		{"2B 0E 01 04 05 00 00", Answering, "conformity level 04; 01 to 03 and 81 to 83 are allowed\n05; FF is more, 00 is nothing more"},
		{"14 07 05 00 04 00 01 00 02", Asking, "reference type 5; 6 is allowed"},
	} {
		if got := wordsOf(unhex(t, c.pdu), c.d, nil); !strings.Contains(got, c.want) {
			t.Errorf("%s: %q is not in:\n%s", c.pdu, c.want, got)
		}
	}
}

// Causes name what was asked. Sources: V1.1b3 7 (codes), 6.1 to 6.23 (limits);
// the rest common practice.
func TestLikelyCauses(t *testing.T) {
	ptr := func(q Request) *Request { return &q }
	for _, c := range []struct {
		e    Exception
		q    *Request
		want string
	}{
		{IllegalDataAddress, nil, "Ask for fewer."},
		{IllegalDataAddress, ptr(Read(regmap.HoldingRegister, 96, 5)), "40097-40101 (address 96-100) do not exist here"},
		{IllegalDataAddress, ptr(Read(regmap.HoldingRegister, 96, 5)), "its number 96 is address 95"},
		{IllegalDataAddress, ptr(Read(regmap.HoldingRegister, 0, 1)), "04, read input registers"},
		{IllegalDataAddress, ptr(Read(regmap.InputRegister, 0, 1)), "03, read holding registers"},
		{IllegalDataAddress, ptr(Read(regmap.InputRegister, 65535, 2)), "beyond address 65535"},
		{IllegalDataAddress, ptr(Request{Function: WriteSingleRegister, Address: 3}), "can be read and not written"},
		{IllegalDataValue, ptr(Read(regmap.InputRegister, 0, 100)), "100 registers in one request may be more than this device allows"},
		{IllegalDataValue, ptr(Read(regmap.InputRegister, 0, 126)), "breaks the protocol's own rules"},
		{IllegalDataValue, ptr(Request{Function: WriteSingleRegister, Value: 1650}), "compare 1650 with the range"},
		{IllegalFunction, ptr(Read(regmap.InputRegister, 0, 1)), "try 03, read holding registers"},
		{IllegalFunction, ptr(Request{Function: GetCommEventLog}), "a function of serial lines"},
		{IllegalFunction, ptr(Request{Function: ReadFIFOQueue}), "does not have this function"},
		{ServerDeviceFailure, ptr(Request{Function: WriteSingleRegister}), "switched to local"},
		{ServerDeviceFailure, nil, "fault display"},
		{Acknowledge, nil, "do not send the request again"},
		{ServerDeviceBusy, nil, "Ask again later"},
		{GatewayPathUnavailable, nil, "the gateway's table"},
		{GatewayTargetDeviceFailedToRespond, nil, "The gateway is well"},
	} {
		got := strings.Join(c.e.LikelyCauses(c.q), "\n")
		if !strings.Contains(got, c.want) {
			t.Errorf("%v of %+v: %q is not in %q", c.e, c.q, c.want, got)
		}
	}
	if got := Exception(0x77).LikelyCauses(nil); got != nil {
		t.Errorf("a code of the maker's own: %v", got)
	}
	// Every request that can be built, of every function, with every code.
	for _, row := range loadVectors(t).all() {
		q, err := ParseRequest(unhex(t, row.Request.PDU))
		for e := range 256 {
			if text := strings.Join(Exception(e).LikelyCauses(&q), " "); err == nil && strings.Contains(text, "%!") {
				t.Errorf("%s, code %d: %s", row.ID, e, text)
			}
		}
	}
}

// The bytes of a whole frame stand above their words at their own offsets.
func TestExplainOffsets(t *testing.T) {
	adu, found := unhex(t, "11 14 0C 05 06 0D FE 00 20 05 06 33 CD 00 40 00 00"), 0
	for _, f := range Explain(line.RTU, adu, Answering, nil) {
		if f.Name == "data_1_0" && f.Offset == 5 && f.Value == 0x0DFE || f.Name == "data_2_1" && f.Offset == 13 && f.Value == 0x40 {
			found++
		}
	}
	if found != 2 {
		t.Errorf("%d of 2 fields stand where they should", found)
	}
}
