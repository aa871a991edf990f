package frame

import (
	"fmt"
	"strings"
)

// eventByte says what a byte of the event log tells: its kind, and its bits.
// Source: V1.1b3 6.10; the meaning of the bits from memory.
func eventByte(v int) string {
	switch {
	case v == 0x00:
		return "communications restart"
	case v == 0x04:
		return "entered listen only mode"
	case v&0x80 != 0:
		return "receive event" + eventBits(v, receiveBits[:])
	case v&0x40 != 0:
		return "send event" + eventBits(v, sendBits[:])
	}
	return "none of the standard's four kinds of event"
}

// The bits of events, from bit 0; "" is not used.
var (
	receiveBits = [...]string{"", "communication error", "", "", "character overrun", "in listen only mode", "broadcast"}
	sendBits    = [...]string{"exception 01 to 03 sent", "exception 04 sent", "exception 05 or 06 sent", "exception 07 sent", "write time-out", "in listen only mode"}
)

func eventBits(v int, names []string) string {
	var set []string
	for bit, name := range names {
		if name != "" && v>>bit&1 == 1 {
			set = append(set, name)
		}
	}
	if len(set) == 0 {
		return ""
	}
	return ": " + strings.Join(set, ", ")
}

// counterWords say what a counter of Diagnostics counts; %s is the number of
// them. Sources: V1.1b3 6.8.1; serial guide, appendix A.
var counterWords = map[SubFunction][2]string{
	ReturnBusMessageCount:        {"message", " seen on the line with a right check"},
	ReturnBusCommErrorCount:      {"communication error", ": wrong checks, spoiled characters, frames below 3 bytes"},
	ReturnBusExceptionErrorCount: {"exception", ", those found in broadcasts too"},
	ReturnServerMessageCount:     {"message", " to this station, broadcasts too"},
	ReturnServerNoResponseCount:  {"message", " without an answer; each broadcast counts"},
	ReturnServerNAKCount:         {"answer", " with exception 07"},
	ReturnServerBusyCount:        {"answer", " with exception 06, busy"},
	ReturnBusOverrunCount:        {"message", " lost to character overruns"},
}

// diagnostics names the fields of 08, request or answer.
func (w *walker) diagnostics(answer bool) {
	sub := SubFunction(w.number(2, "sub_function", func(v int) string { return SubFunction(v).String() }))
	for w.left() >= 2 {
		w.number(2, "data", func(v int) string { return diagnosticWords(sub, v, answer) })
	}
}

// diagnosticWords is a data word of a sub-function. Source: V1.1b3 6.8.1.
func diagnosticWords(sub SubFunction, v int, answer bool) string {
	if c, counts := counterWords[sub]; counts && answer {
		return plural(v, c[0]) + c[1]
	}
	switch {
	case sub == ReturnQueryData && answer:
		return fmt.Sprintf("data word %04X, as it was sent", v)
	case sub == ReturnQueryData:
		return fmt.Sprintf("data word %04X, to come back as it is", v)
	case sub == RestartCommunications && v == 0:
		return "0000: the event log stays"
	case sub == RestartCommunications && v == coilOn:
		return "FF00: the event log is cleared too"
	case sub == ReturnDiagnosticRegister && answer:
		return fmt.Sprintf("diagnostic register %016b; what its bits mean is the maker's", v)
	case sub == ChangeASCIIInputDelimiter:
		return fmt.Sprintf("%q ends ASCII frames from now on", rune(v>>8))
	}
	return fmt.Sprintf("data word %04X", v)
}

// serverID names identifier, run indicator and the rest of 11, n bytes in all,
// where the run indicator can be told. Source: V1.1b3 6.13.
func (w *walker) serverID(n int) {
	n = min(n, w.left())
	if n <= 0 {
		return
	}
	r := Response{Function: ReportServerID, Data: w.b[w.at : w.at+n]}
	id, running, rest, ok := r.ServerID()
	if !ok {
		w.opaque(n, "server_id", "identifier, and somewhere in it the run indicator (FF on, 00 off): "+shownText(r.Data))
		return
	}
	w.opaque(len(id), "server_id", "identifier, the maker's: "+shownText(id))
	words := "run indicator: off"
	if running {
		words = "run indicator: on"
	}
	w.opaque(1, "run_indicator", words)
	w.opaque(len(rest), "additional_data", "more, the maker's: "+shownText(rest))
}

// files names the groups of 14 and 15. asked, which may be nil, lends an answer
// of 14 the places of its records.
func (w *walker) files(f Function, answer bool, asked *Request) {
	name := "byte_count"
	if answer || f == WriteFileRecord {
		name = "data_length"
	}
	n := w.number(1, name, countWords)
	end := w.at + n
	var places []Group
	if asked != nil && asked.Function == f {
		for g := range asked.Groups() {
			places = append(places, g)
		}
	}
	for g := 1; w.left() > 0 && w.at < end; g++ {
		file, record := -1, 0
		if f == ReadFileRecord && answer {
			n = w.number(1, fmt.Sprintf("file_length_%d", g), countWords) - 1
			w.referenceType(g)
			if g <= len(places) {
				file, record = int(places[g-1].File), int(places[g-1].Record)
			}
		} else {
			w.referenceType(g)
			file = w.plain(2, fmt.Sprintf("file_%d", g), "file %d")
			record = w.plain(2, fmt.Sprintf("record_%d", g), "from record %d on")
			n = 2 * w.counted(2, fmt.Sprintf("length_%d", g), "register", "")
		}
		if f == WriteFileRecord || answer {
			w.records(g, file, record, n)
		}
	}
}

// records names the registers of a group; a file below 0 is not known.
func (w *walker) records(group, file, record, n int) {
	for i := range min(n, w.left()) / 2 {
		format := "%d"
		if file >= 0 {
			format = fmt.Sprintf("file %d record %d: %%d", file, record+i)
		}
		w.plain(2, fmt.Sprintf("data_%d_%d", group, i), format)
	}
}

func (w *walker) referenceType(g int) {
	w.number(1, fmt.Sprintf("ref_type_%d", g), func(v int) string {
		if v == referenceType {
			return "reference type 6"
		}
		return fmt.Sprintf("reference type %d; 6 is allowed", v)
	})
}

// encapsulated names the fields of 2B. Source: V1.1b3 6.19 and 6.21.
func (w *walker) encapsulated(answer bool) {
	mei := w.number(1, "mei_type", func(v int) string {
		switch uint8(v) {
		case MEIDeviceID:
			return "read device identification"
		case MEICANopen:
			return "CANopen general reference"
		}
		return fmt.Sprintf("MEI type %d; 13 and 14 are known", v)
	})
	if uint8(mei) != MEIDeviceID {
		w.opaque(w.left(), "data", "data that another document describes")
		return
	}
	w.number(1, "read_device_id_code", accessWords)
	if !answer {
		w.number(1, "object_id", objectWords)
		return
	}
	w.number(1, "conformity_level", conformityWords)
	w.number(1, "more_follows", func(v int) string {
		switch v {
		case moreNone:
			return "nothing more follows"
		case moreFollows:
			return "more objects follow"
		}
		return fmt.Sprintf("%02X; FF is more, 00 is nothing more", v)
	})
	w.number(1, "next_object_id", func(v int) string {
		if v == 0 {
			return "no object to ask for next"
		}
		return "ask next for " + objectWords(v)
	})
	for range w.counted(1, "number_of_objects", "object", "") {
		id := w.number(1, "object_id", objectWords)
		n := w.counted(1, fmt.Sprintf("object_%02X_length", id), "character", "")
		if n > w.left() {
			w.cut = w.cut || n > 0
			return
		}
		w.opaque(n, fmt.Sprintf("object_%02X_value", id), shownText(w.b[w.at:w.at+n]))
	}
}

// accessWords is an access code of device identification. Source: V1.1b3 6.21.
func accessWords(v int) string {
	words := map[uint8]string{
		DeviceIDBasic: "the basic objects, 0 to 2, as a stream", DeviceIDRegular: "the regular objects, 0 to 127, as a stream",
		DeviceIDExtended: "all objects, 0 to 255, as a stream", DeviceIDObject: "one object alone",
	}
	if w, known := words[uint8(v)]; known {
		return fmt.Sprintf("access code %d: %s", v, w)
	}
	return fmt.Sprintf("access code %d; 1 to 4 are allowed", v)
}

// conformityWords is a conformity level. Source: V1.1b3 6.21.
func conformityWords(v int) string {
	words := map[int]string{1: "the basic objects", 2: "basic and regular objects", 3: "basic, regular and extended objects"}
	w, known := words[v&0x7F]
	switch {
	case !known:
		return fmt.Sprintf("conformity level %02X; 01 to 03 and 81 to 83 are allowed", v)
	case v&0x80 != 0:
		return fmt.Sprintf("conformity level %02X: %s, as a stream or one alone", v, w)
	}
	return fmt.Sprintf("conformity level %02X: %s, as a stream only", v, w)
}

// objectNames are the objects that the standard names. Source: V1.1b3 6.21.
var objectNames = [...]string{"vendor name", "product code", "revision", "vendor URL", "product name", "model name", "user application name"}

func objectWords(v int) string {
	switch {
	case v < len(objectNames):
		return fmt.Sprintf("object %d, %s", v, objectNames[v])
	case v < 0x80:
		return fmt.Sprintf("object %d, reserved", v)
	}
	return fmt.Sprintf("object %d, the maker's", v)
}
