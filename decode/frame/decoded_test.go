package frame

import (
	"encoding/json"
	"reflect"
	"slices"
	"testing"

	"plumbline/regmap/line"
)

// What each direction of a function can say of the vector's decoded block.
// Keys that need more than the one frame (first_number, state, current ...) and
// the file's remarks are for neither.
var notOfOneFrame = []string{"first_number", "numbers_on", "state", "response_is_echo", "response_data", "response_rule",
	"current", "result", "malformed", "why", "register_number"}

// Keys by direction; a key of neither list may come from either.
var (
	onlyRequest = map[uint8][]string{
		1: {"start_address", "quantity"}, 2: {"start_address", "quantity"}, 3: {"start_address", "quantity"}, 4: {"start_address", "quantity"},
		8: {"request_data"}, 15: {"byte_count", "bits"}, 16: {"byte_count", "registers"}, 20: {"byte_count", "groups"},
		23: {"read_start", "read_quantity", "write_start", "write_quantity", "write_byte_count", "write_registers"},
		24: {"fifo_pointer_address"}, 43: {"object_id"},
	}
	onlyResponse = map[uint8][]string{
		1: {"byte_count", "bits"}, 2: {"byte_count", "bits"}, 3: {"byte_count", "registers"}, 4: {"byte_count", "registers"},
		7: {"output_data", "outputs_lowest_first"}, 11: {"status", "event_count"},
		12: {"byte_count", "status", "event_count", "message_count", "events"},
		17: {"byte_count", "server_id", "run_indicator", "additional_data"}, 20: {"data_length", "group_registers"},
		23: {"byte_count", "registers"}, 24: {"byte_count", "fifo_count", "registers"},
		43: {"conformity_level", "more_follows", "next_object_id", "number_of_objects", "objects"},
	}
)

// asJSON gives a value as decoded JSON, so that both sides compare alike.
func asJSON(t *testing.T, v any) any {
	t.Helper()
	text, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	var out any
	if err := json.Unmarshal(text, &out); err != nil {
		t.Fatal(err)
	}
	return out
}

func wanted(t *testing.T, v vector, other map[uint8][]string) map[string]any {
	want := map[string]any{}
	for k, value := range v.Decoded {
		if !slices.Contains(notOfOneFrame, k) && !slices.Contains(other[v.Function.Code], k) {
			want[k] = asJSON(t, value)
		}
	}
	return want
}

func TestDecodedOfVectors(t *testing.T) {
	seen := 0
	for _, v := range loadVectors(t).Vectors {
		if v.Kind == "published-as-printed" {
			continue
		}
		q, err := ParseRequest(unhex(t, v.Request.PDU))
		if err != nil {
			t.Fatal(err)
		}
		want := wanted(t, v, onlyResponse)
		if got := asJSON(t, q.Decoded()); !reflect.DeepEqual(got, any(want)) {
			t.Errorf("%s request:\n got %v\nwant %v", v.ID, got, want)
		}
		seen += len(want)
		if v.Response == nil {
			continue
		}
		a, err := ParseResponse(unhex(t, v.Response.PDU))
		if err != nil {
			t.Fatal(err)
		}
		want = wanted(t, v, onlyRequest)
		if got := asJSON(t, a.Decoded(&q)); !reflect.DeepEqual(got, any(want)) {
			t.Errorf("%s response:\n got %v\nwant %v", v.ID, got, want)
		}
		seen += len(want)
	}
	if seen < 100 {
		t.Errorf("only %d keys compared", seen)
	}
}

func TestDecodedDetails(t *testing.T) {
	// V1.1b3 6.1: an answer alone has all bits of its bytes.
	a, err := ParseResponse([]byte{1, 3, 0xCD, 0x6B, 0x05})
	if err != nil {
		t.Fatal(err)
	}
	bits, _ := a.Decoded(nil).Get("bits")
	if n := len(bits.([]int)); n != 24 {
		t.Errorf("%d bits, want 24", n)
	}
	if _, ok := a.Decoded(nil).Get("quantity"); ok {
		t.Error("an answer does not say the quantity")
	}
	if es := Except(ReadCoils, IllegalFunction).Decoded(nil); len(es) != 0 {
		t.Errorf("exception: %v", es)
	}
	// 08/00 may carry more than one word, V1.1b3 6.8.
	q := Diagnose(ReturnQueryData, 1, 2)
	if data, _ := q.Decoded().Get("request_data"); !reflect.DeepEqual(data, []int{1, 2}) {
		t.Errorf("%v", data)
	}
	// 2B/0D is opaque here, V1.1b3 6.20.
	for _, want := range []struct {
		es   Entries
		json string
	}{
		{Request{Function: EncapsulatedInterface, MEI: MEICANopen, Data: []byte{1, 2}}.Decoded(), `{"mei_type":13,"request_data":[1,2]}`},
		{Response{Function: EncapsulatedInterface, MEI: MEICANopen, Data: []byte{3}}.Decoded(nil), `{"mei_type":13,"data":[3]}`},
		// 11 without a run indicator to be found: all of it may be the identifier.
		{Response{Function: ReportServerID, Data: []byte{1, 2}}.Decoded(nil), `{"byte_count":2,"server_id":[1,2]}`},
		{Response{Function: ReportServerID, Data: []byte{1, 2, 0, 9}}.Decoded(nil),
			`{"byte_count":4,"server_id":[1,2],"run_indicator":0,"additional_data":[9]}`},
		{Request{}.Decoded(), `{}`},
		{Response{Function: 99}.Decoded(nil), `{}`},
	} {
		if text, err := json.Marshal(want.es); err != nil || string(text) != want.json {
			t.Errorf("%s, %v, want %s", text, err, want.json)
		}
	}
	if _, err := json.Marshal(Entries{{"x", func() {}}}); err == nil {
		t.Error("a function in JSON")
	}
}

// checkFields holds place, length and number of the vector's fields against
// ours; the names of items carry numbers there.
func checkFields(t *testing.T, id string, got []Field, want []vectorField, header int) {
	t.Helper()
	at := map[int]Field{}
	for _, f := range got {
		at[f.Offset] = f
	}
	for _, w := range want {
		f, ok := at[w.At+header]
		if !ok || f.Length != w.Len {
			t.Errorf("%s: %s at %d: got %+v", id, w.Name, w.At, f)
			continue
		}
		if w.Value != nil && f.Value != *w.Value {
			t.Errorf("%s: %s: value %d, want %d", id, w.Name, f.Value, *w.Value)
		}
	}
}

// The fields of the vectors stand where Explain says, with the same numbers.
func TestExplainVectors(t *testing.T) {
	v := loadVectors(t)
	for _, row := range v.all() {
		q, _ := ParseRequest(unhex(t, row.Request.PDU))
		checkFields(t, row.ID+" request", Explain(line.RTU, unhex(t, row.Request.RTU), Asking, nil), row.Request.Fields, 1)
		if row.Response != nil && row.Kind != "published-as-printed" {
			checkFields(t, row.ID+" response", Explain(line.RTU, unhex(t, row.Response.RTU), Answering, &q), row.Response.Fields, 1)
			checkFields(t, row.ID+" response", Explain(line.MBAP, unhex(t, row.Response.TCP), Answering, &q), row.Response.Fields, 7)
			checkFields(t, row.ID+" response", Explain(0, unhex(t, row.Response.PDU), Answering, nil), row.Response.Fields, 0)
		}
	}
	got := Explain(line.MBAP, unhex(t, v.TCP.Request.ADU), Asking, nil)
	checkFields(t, v.TCP.Request.ID, got, v.TCP.Request.Fields, 0)
	for i, f := range v.TCP.Request.Fields {
		if got[i].Name != f.Name {
			t.Errorf("%s is called %s", f.Name, got[i].Name)
		}
	}
}

// covers checks that the fields hold every byte once and in order.
func covers(t *testing.T, fields []Field, n int, what string) {
	t.Helper()
	at := 0
	for _, f := range fields {
		if f.Offset != at || f.Length <= 0 || f.Name == "" || f.Words == "" {
			t.Fatalf("%s: field %+v at %d", what, f, at)
		}
		at += f.Length
	}
	if at != n {
		t.Fatalf("%s: %d of %d bytes explained: %+v", what, at, n, fields)
	}
}

func TestExplainCoversEverything(t *testing.T) {
	for _, s := range seedFrames(t) {
		asked, err := ParseRequest(s.asked)
		for _, framing := range []line.Framing{0, line.MBAP, line.RTU, line.ASCII} {
			raw := s.pdu
			if framing != 0 {
				var err error
				if raw, err = AppendADU(nil, vectorADU(framing, s.pdu)); err != nil {
					t.Fatal(err)
				}
			}
			for n := range len(raw) + 1 {
				for _, d := range []Direction{0, Asking, Answering} {
					covers(t, Explain(framing, raw[:n], d, nil), n, s.id)
					if err == nil {
						covers(t, Explain(framing, raw[:n], d, &asked), n, s.id)
					}
				}
			}
			for n := 1; n < 4; n++ {
				covers(t, Explain(framing, append(slices.Clone(raw), make([]byte, n)...), Answering, nil), len(raw)+n, s.id)
			}
		}
	}
}

func TestExplainWords(t *testing.T) {
	read := Read(1, 19, 19)
	for _, c := range []struct {
		framing line.Framing
		adu     string
		d       Direction
		asked   *Request
		words   []string
	}{
		// The bytes of the exception vector ex-100-registers-96-plus-5.
		{line.RTU, "11 83 02 C1 34", Answering, nil, []string{"unit 17", "answer to 03, read holding registers: refused",
			"illegal data address: " + IllegalDataAddress.Meaning(), "CRC, low byte first"}},
		{line.RTU, "11 83 02 C1 35", Answering, nil, []string{"", "", "", "CRC wrong, low byte first: the bytes ask for C1 34"}},
		{line.RTU, "00 05 00 AC FF 00 4F 5A", Asking, nil, []string{"unit 0, every station on a serial line", "write single coil", "address 172", "on"}},
		{line.RTU, "00 05 00 AC 00 00 4F 5A", Asking, nil, []string{"", "", "", "off"}},
		{line.RTU, "00 05 00 AC 12 34 4F 5A", Asking, nil, []string{"", "", "", "1234; FF00 is on, 0000 is off, nothing else is allowed"}},
		{0, "01 03 CD 6B 05", Answering, &read, []string{"answer to 01, read coils", "byte count: 3 bytes of data",
			"00020-00027 (address 19-26): 1 0 1 1 0 0 1 1", "00028-00035 (address 27-34): 1 1 0 1 0 1 1 0", "00036-00038 (address 35-37): 1 0 1"}},
		{0, "01 04 CD 6B 05 00", Answering, &read, []string{"", "", "", "", "", "more bits than asked for"}},
		{0, "01 01 CD", Answering, nil, []string{"", "byte count: 1 byte of data", "1 0 1 1 0 0 1 1"}},
		{0, "2B 0E 01 01 FF 02 01 00 04 31 0A E9 22", Answering, nil, []string{"answer to 2B, encapsulated interface transport", "read device identification",
			"access code 1: the basic objects, 0 to 2, as a stream", "conformity level 01: the basic objects, as a stream only", "more objects follow", "ask next for object 2, revision", "1 object", "object 0, vendor name", "4 characters", `1\n\xe9\"`}},
		{0, "2B 05 01", Asking, nil, []string{"", "MEI type 5; 13 and 14 are known"}},
		{0, "2B 0D 01", Asking, nil, []string{"", "CANopen general reference", "data that another document describes"}},
		{0, "41 00", Asking, nil, []string{"function 65 (0x41)", "data of a function that the standard does not describe"}},
		{0, "0B 12 34 00 01", Answering, nil, []string{"", "status 1234; 0000 and FFFF are allowed"}},
		{0, "0C 0B 00 00 00 00 00 00 00 04 20 80 40", Answering, nil, []string{"answer to 0C, get comm event log", "", "", "", "",
			"communications restart", "entered listen only mode", "none of the standard's four kinds of event", "receive event", "send event"}},
		{line.MBAP, "00 01 00 02 00 06 11 03 00 6B 00 03 AA", Asking, nil, []string{"transaction 1", "protocol 2; Modbus is 0",
			"length: 6 bytes follow, unit and PDU", "unit 17", "read holding registers", "address 107, the first item", "quantity 3", "1 byte too many, after the end"}},
		{0, "03 00 6B 00", Asking, nil, []string{"", "", "cut off: the frame ends before this field does"}},
		{0, "18 04 DE", Asking, nil, []string{"read FIFO queue"}},
		{line.RTU, "11 03", Asking, nil, []string{"unit 17", "cut off: the frame ends before this field does"}},
	} {
		fields := Explain(c.framing, unhex(t, c.adu), c.d, c.asked)
		for i, w := range c.words {
			if i >= len(fields) || w != "" && fields[i].Words != w {
				t.Errorf("%s: field %d: got %+v, want %q", c.adu, i, fields, w)
				break
			}
		}
	}
	fields := Explain(line.ASCII, []byte(":110300000001EC\r\n"), Asking, nil)
	if f := fields[len(fields)-2]; f.Words != "LRC wrong: the bytes ask for EB" || f.Value != 0xEC || f.Offset != 13 || f.Length != 2 {
		t.Errorf("%+v", f)
	}
	if f := fields[0]; f.Value != ':' || f.Name != "colon" {
		t.Errorf("%+v", f)
	}
	if f := Explain(line.ASCII, []byte(":1g"), Asking, nil); len(f) != 1 || f[0].Words != "not an ASCII frame" {
		t.Errorf("%+v", f)
	}
	for d, want := range map[Direction]string{0: "unknown", Asking: "request", Answering: "response"} {
		if d.String() != want {
			t.Errorf("%v, want %s", d, want)
		}
	}
}
