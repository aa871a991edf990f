package frame

import (
	"bytes"
	"encoding/hex"
	"os"
	"strconv"
	"strings"
	"testing"

	"gopkg.in/yaml.v3"

	"plumbline/regmap"
	"plumbline/regmap/line"
)

// The rows of testdata/spec/vectors.yaml that concern frames. Every row there
// names document and clause. An unknown key of a row is refused.
type vectorFile struct {
	Vectors    []vector `yaml:"vectors"`
	Exceptions struct {
		Codes []struct {
			Code                     uint8
			Hex, Name, Means, Clause string
		}
		Vectors  []vector
		Rule     any
		Unlisted any `yaml:"unlisted_codes"`
		Confirm  any `yaml:"confirmed"`
	}
	Limits struct {
		PerFunction []limitRow `yaml:"per_function"`
		Sizes       struct {
			PDU       int `yaml:"pdu_max"`
			RTU       int `yaml:"rtu_adu_max"`
			TCP       int `yaml:"tcp_adu_max"`
			ASCII     int `yaml:"ascii_frame_max_chars"`
			RTUData   int `yaml:"rtu_data_max"`
			ASCIIData int `yaml:"ascii_data_chars_max"`
			Clause    string
		}
		SerialOnly []uint8        `yaml:"serial_line_only"`
		Other      map[string]any `yaml:",inline"`
	}
	CRC struct {
		Parameters struct {
			Input string         `yaml:"check_input"`
			Check string         `yaml:"check"`
			Poly  string         `yaml:"poly_reflected"`
			Init  string         `yaml:"init"`
			Other map[string]any `yaml:",inline"`
		}
		Example struct{ Message, CRC, Wire, Frame, Clause string }
		Trace   []struct {
			Byte  string
			After []string `yaml:"after_each_shift"`
		} `yaml:"example_trace"`
		Other map[string]any `yaml:",inline"`
	}
	LRC struct {
		Character struct {
			LRC, Characters, Wire, Clause string
		} `yaml:"character_example"`
		Worked []struct{ Bytes, LRC, ASCII, Confirmed string }
		Other  map[string]any `yaml:",inline"`
	}
	TCP struct {
		Request  tcpExample `yaml:"example_request"`
		Response tcpExample `yaml:"example_response"`
		MBAP     struct {
			Least int            `yaml:"length_min"`
			Most  int            `yaml:"length_max"`
			Other map[string]any `yaml:",inline"`
		}
		Negative []struct {
			ID, Direction, Pending, ADU, Expect, Clause string
			Prefix                                      string `yaml:"adu_prefix"`
		}
		Two   struct{ Bytes, Expect, Clause string } `yaml:"two_adus_in_one_segment"`
		Other map[string]any                         `yaml:",inline"`
	}
	Serial struct {
		Silence []struct {
			Baud  int
			Bits  int     `yaml:"bits_per_char"`
			Char  float64 `yaml:"char_us"`
			T15   float64 `yaml:"t15_us"`
			T35   float64 `yaml:"t35_us"`
			Basis string
		} `yaml:"silence_table"`
		Link []struct {
			ID, RTU, ASCII, Expect, Clause, Kind string
		} `yaml:"link_vectors"`
		Other map[string]any `yaml:",inline"`
	}
	Other map[string]any `yaml:",inline"` // about, sources, security ...
}

type vector struct {
	ID, Kind, Clause, Title string
	Function                struct {
		Code        uint8
		Hex, Name   string
		SubFunction string `yaml:"sub_function"`
		MEI         string `yaml:"mei_type"`
	}
	SerialOnly       bool `yaml:"serial_line_only"`
	Request          *vectorFrame
	Response         *vectorFrame
	Decoded          map[string]any
	ExceptionCode    uint8 `yaml:"exception_code"`
	Why              string
	Confirmed, Notes []string
}

type vectorFrame struct {
	PDU, RTU, TCP, ASCII string
	Fields               []vectorField
}

type vectorField struct {
	At, Len          int
	Hex, Name, Means string
	Value            *int64
}

type tcpExample struct {
	ID, Kind, Clause, ADU string
	Fields                []vectorField
	Decoded               map[string]any
	Confirmed, Notes      []string
}

type limitRow struct {
	Function    uint8 `yaml:"fc"`
	Name        string
	QuantityMin int    `yaml:"quantity_min"`
	QuantityMax int    `yaml:"quantity_max"`
	MaxHex      string `yaml:"max_hex"`
	MaxData     int    `yaml:"max_data_bytes"`
	MaxRequest  int    `yaml:"max_request_pdu"`
	MaxResponse int    `yaml:"max_response_pdu"`
	Order       string
	Allowed     string
	Clause      string
	Legal       []string `yaml:"legal_values"`
	Events      int      `yaml:"events_max"`
	BytesMin    int      `yaml:"byte_count_min"`
	BytesMax    int      `yaml:"byte_count_max"`
	Groups      int      `yaml:"sub_requests_max"`
	FileMin     int      `yaml:"file_min"`
	FileMax     int      `yaml:"file_max"`
	RecordMax   int      `yaml:"record_max"`
	RecordHex   string   `yaml:"record_max_hex"`
	Reference   int      `yaml:"reference_type"`
	ByTable     int      `yaml:"max_record_length_by_table"`
	ByPDU       int      `yaml:"max_record_length_by_pdu"`
	ReadMin     int      `yaml:"read_min"`
	ReadMax     int      `yaml:"read_max"`
	ReadHex     string   `yaml:"read_max_hex"`
	WriteMin    int      `yaml:"write_min"`
	WriteMax    int      `yaml:"write_max"`
	WriteHex    string   `yaml:"write_max_hex"`
	FIFO        int      `yaml:"fifo_count_max"`
	MEI         []int    `yaml:"mei_types"`
}

// loadVectors reads the file strictly and fails when a list it needs is empty.
func loadVectors(t testing.TB) *vectorFile {
	t.Helper()
	text, err := os.ReadFile("../../testdata/spec/vectors.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var v vectorFile
	d := yaml.NewDecoder(bytes.NewReader(text))
	d.KnownFields(true)
	if err := d.Decode(&v); err != nil {
		t.Fatal(err)
	}
	for what, n := range map[string]int{
		"vectors": len(v.Vectors), "exception vectors": len(v.Exceptions.Vectors), "exception codes": len(v.Exceptions.Codes),
		"limits": len(v.Limits.PerFunction), "trace": len(v.CRC.Trace), "lrc": len(v.LRC.Worked),
		"negatives": len(v.TCP.Negative), "silence": len(v.Serial.Silence), "link vectors": len(v.Serial.Link),
	} {
		if n == 0 {
			t.Fatalf("no %s in vectors.yaml", what)
		}
	}
	return &v
}

// all is the vectors and the exception vectors.
func (v *vectorFile) all() []vector {
	return append(append([]vector{}, v.Vectors...), v.Exceptions.Vectors...)
}

// unhex reads bytes written in hex with blanks.
func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil || len(b) == 0 {
		t.Fatalf("%q is not hex: %v", s, err)
	}
	return b
}

func number(t testing.TB, s string) int {
	t.Helper()
	n, err := strconv.ParseInt(s, 0, 64)
	if err != nil {
		t.Fatal(err)
	}
	return int(n)
}

// forms gives the frame in each framing with the defaults of the file, unit
// 0x11 and transaction 1.
func (f *vectorFrame) forms(t testing.TB) map[line.Framing][]byte {
	return map[line.Framing][]byte{
		line.RTU: unhex(t, f.RTU), line.MBAP: unhex(t, f.TCP), line.ASCII: []byte(f.ASCII),
	}
}

const (
	vectorUnit        regmap.Unit = 0x11
	vectorTransaction uint16      = 1
)

func vectorADU(f line.Framing, pdu []byte) ADU {
	a := ADU{Framing: f, Unit: vectorUnit, PDU: pdu}
	if f == line.MBAP {
		a.Transaction = vectorTransaction
	}
	return a
}

// frames is every PDU of the vectors with its direction, for seeds and tables.
type seedFrame struct {
	id     string
	pdu    []byte
	answer bool
	asked  []byte
}

func seedFrames(t testing.TB) []seedFrame {
	var out []seedFrame
	for _, v := range loadVectors(t).all() {
		q := unhex(t, v.Request.PDU)
		out = append(out, seedFrame{id: v.ID + " request", pdu: q})
		if v.Response != nil {
			out = append(out, seedFrame{id: v.ID + " response", pdu: unhex(t, v.Response.PDU), answer: true, asked: q})
		}
	}
	return out
}
