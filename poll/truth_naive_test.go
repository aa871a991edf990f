package poll_test

import (
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode/frame"
	"plumbline/poll/link"
	"plumbline/regmap"
	"plumbline/regmap/line"
	"plumbline/simdevice/fault"
)

// A naive client does what seems to be enough: it throws away what is waiting,
// sends, and takes the next frame whose check fits and which has the unit, the
// function and the length of the answer. It is here so that the rig can be seen
// to find what is wrong with it; each flag takes one of its few cares away.
type naive struct {
	run   *run
	end   *fault.End
	buf   []byte
	came  []time.Time // of each byte of buf
	spent uint64      // transactions

	noDrain, anyCheck, anyUnit, anyFunction, anyLength, anyTransaction bool
}

// ask makes one exchange within the time limit.
func (n *naive) ask(number uint64, unit regmap.Unit, q frame.Request) {
	t := taken{number: number, unit: unit, request: q, asked: time.Now()}
	if n.end == nil {
		n.end, n.buf, n.came = n.run.hub.stream(), nil, nil
	}
	if !n.noDrain {
		_ = n.end.Discard()
		n.buf, n.came = nil, nil
	}
	pdu, err := q.Append(nil)
	if err != nil {
		n.run.fault("a question of the rig's own: %v", err)
		return
	}
	n.spent++
	adu, err := frame.AppendADU(nil, frame.ADU{Framing: n.run.book.framing, Transaction: uint16(n.spent), Unit: unit, PDU: pdu})
	if err != nil {
		n.run.fault("a question of the rig's own: %v", err)
		return
	}
	_, _ = n.end.Write(adu)
	n.run.enter(t, n.wait(&t))
}

// wait waits for the answer; false when none came.
func (n *naive) wait(t *taken) bool {
	deadline := time.Now().Add(response)
	_ = n.end.SetReadDeadline(deadline)
	piece := make([]byte, 512)
	for {
		if n.find(t) {
			return true
		}
		m, err := n.end.Read(piece)
		if err != nil {
			if time.Now().Before(deadline) { // the stream has ended
				_ = n.end.Close()
				n.end = nil
			}
			return false
		}
		n.buf = append(n.buf, piece[:m]...)
		for range m {
			n.came = append(n.came, time.Now())
		}
	}
}

// find looks for the answer in what came, at every offset.
func (n *naive) find(t *taken) bool {
	head := 1 // bytes before the function
	if n.run.book.framing == line.MBAP {
		head = 7
	}
	want, _ := frame.AnswerLength(t.request)
	for i := range n.buf {
		b := n.buf[i:]
		if len(b) < head+2 || !n.looks(b, head, t, want) {
			continue
		}
		end := head + 2 + int(b[head+1])
		data := b[head+2:]
		if head == 1 {
			end += 2
		}
		if len(b) < end || !n.anyCheck && !checkFits(n.run.book.framing, b[:end]) {
			continue
		}
		t.received = append([]byte(nil), b[:end]...)
		t.first, t.done = n.came[i], n.came[i+end-1]
		t.items = readItems(t.request, data[:b[head+1]])
		n.buf, n.came = n.buf[i+end:], n.came[i+end:]
		return true
	}
	return false
}

// looks says whether a frame that begins here looks like the answer.
func (n *naive) looks(b []byte, head int, t *taken, want int) bool {
	f := b[head]
	switch {
	case head == 7 && b[2]|b[3] != 0:
		return false
	case head == 7 && !n.anyTransaction && uint16(b[0])<<8|uint16(b[1]) != uint16(n.spent):
		return false
	case !n.anyUnit && b[head-1] != byte(t.unit):
		return false
	case f != byte(t.request.Function) && !(n.anyFunction && f >= 1 && f <= 4):
		return false
	}
	return n.anyLength || int(b[head+1])+2 == want
}

// readItems reads as many items as were asked for; what is missing is 0.
func readItems(q frame.Request, data []byte) []uint16 {
	span, _ := q.Reads()
	items := make([]uint16, span.Count)
	for i := range items {
		switch {
		case span.Table.Bits():
			if i/8 < len(data) {
				items[i] = uint16(data[i/8] >> (i % 8) & 1)
			}
		case 2*i+1 < len(data):
			items[i] = uint16(data[2*i])<<8 | uint16(data[2*i+1])
		}
	}
	return items
}

// askNaively is askLink for a naive client.
func (r *run) askNaively(n naive) tally {
	synctest.Test(r.t, func(t *testing.T) {
		n.run = r
		dice := rand.New(rand.NewPCG(r.seed, 0))
		for i := range r.mix.exchanges {
			unit, q := r.question(dice)
			n.ask(uint64(i+1), unit, q)
		}
		time.Sleep(longest) // virtual
		synctest.Wait()
		r.settle(link.Statistics{})
		r.tally.fired = r.hub.shut()
		synctest.Wait()
	})
	return r.tally
}

// The rig must be able to fail: each care that a client does not take lets
// wrong values through, and the rig finds them. Where nothing is late, one that
// takes them all is right: then the rig finds nothing.
func TestTheRigFindsNaiveClients(t *testing.T) {
	const late = "answers: drop with 3%\nanswers: delay 20ms..60ms overtake\nanswers: delay 140ms..530ms with 5% overtake"
	const prompt = "answers: delay 5ms..20ms"
	for _, c := range []struct {
		name   string
		client naive
		where  medium
		mix    mix
		least  int // wrong and good
		most   int
	}{
		{"takes care, nothing late", naive{}, networkRTU, mix{wire: prompt, strangers: 0.2, exchanges: 3000}, 0, 0},
		{"takes care, nothing late, mbap", naive{}, tcp, mix{wire: prompt, strangers: 0.2, exchanges: 3000, gateway: true}, 0, 0},
		{"takes care", naive{}, networkRTU, mix{wire: late, looks: alike, exchanges: 20000}, 1000, 20000},
		{"takes care, many looks", naive{}, serialRTU, mix{wire: late, looks: few, exchanges: 20000}, 100, 20000},
		{"drains nothing", naive{noDrain: true}, networkRTU, mix{wire: late, looks: alike, exchanges: 20000}, 3000, 20000},
		{"believes any check", naive{anyCheck: true}, networkRTU, mix{wire: prompt + "\nanswers: flip 1..3 bits with 20%", exchanges: 3000}, 100, 3000},
		{"takes any unit", naive{anyUnit: true}, networkRTU, mix{wire: prompt, strangers: 0.2, exchanges: 3000}, 50, 3000},
		{"takes any function", naive{anyFunction: true}, networkRTU, mix{wire: prompt, strangers: 0.2, exchanges: 3000}, 50, 3000},
		{"takes any length", naive{anyLength: true}, networkRTU, mix{wire: prompt + "\nanswers: answer-as length -2 with 5%", exchanges: 3000}, 50, 3000},
		{"takes any transaction", naive{anyTransaction: true}, tcp, mix{wire: prompt, strangers: 0.2, exchanges: 3000}, 50, 3000},
		{"takes late transactions", naive{anyTransaction: true}, tcp, mix{wire: late, looks: alike, exchanges: 5000}, 300, 5000},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			seed := rand.Uint64()
			t.Logf("seed %d", seed)
			c.mix.name = c.name
			sum := newRun(t, c.mix, c.where, seed).askNaively(c.client)
			t.Logf("%s", sum)
			if n := sum.classes[seen]; n < c.least || n > c.most {
				t.Errorf("the rig found %d wrong values called good, want %d to %d", n, c.least, c.most)
			}
			if (len(sum.faults) > 0) != (c.least > 0) {
				t.Errorf("faults %q", sum.faults)
			}
			if sum.good < sum.exchanges/10 {
				t.Errorf("only %d of %d good: nothing was tested", sum.good, sum.exchanges)
			}
		})
	}
}
