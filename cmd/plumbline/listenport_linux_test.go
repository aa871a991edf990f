package main

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// A watcher is standard output that does something when a text comes by, for
// several texts in their order.
type watcher struct {
	all  strings.Builder
	from int // where the next text may begin
	when []string
	do   []func()
}

func (w *watcher) Write(b []byte) (int, error) {
	w.all.Write(b)
	for len(w.when) > 0 {
		at := strings.Index(w.all.String()[w.from:], w.when[0])
		if at < 0 {
			break
		}
		do := w.do[0]
		w.from += at + len(w.when[0])
		w.when, w.do = w.when[1:], w.do[1:]
		do()
	}
	return len(b), nil
}

// TestC9ListenOnAPulledAdapter: an adapter that is pulled and comes back as
// another device under its stable name is heard again. The terminal is closed in
// between (I4 of the abuse table): the recording goes on.
func TestC9ListenOnAPulledAdapter(t *testing.T) {
	name := filepath.Join(t.TempDir(), "usb-Two-wire_adapter_A1-if00")
	file := filepath.Join(t.TempDir(), "heard.pcapng")
	asked, told := askedAndTold(t, line.RTU, frame.Read(regmap.InputRegister, 0, 8))
	done := make(chan struct{})
	pair := replug(t, name)
	go talk(pair, done, 10*time.Millisecond, asked, told)
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	out := &watcher{when: []string{"8 registers", "the port is gone", "the port is back", "8 registers"}}
	out.do = []func(){
		func() {
			if err := syscall.Kill(os.Getpid(), syscall.SIGHUP); err != nil {
				t.Error(err)
			}
			close(done)
			pair.Close()
		},
		func() { pair = replug(t, name) },
		func() {
			done = make(chan struct{})
			go talk(pair, done, 10*time.Millisecond, asked, told)
		},
		cancel,
	}
	var errs strings.Builder
	code := run(ctx, &streams{in: strings.NewReader(""), out: out, err: &errs}, []string{"listen", name, "--write", file})
	close(done)
	pair.Close()
	_, text, _ := strings.Cut(out.all.String(), "the port is back")
	if !strings.Contains(text, "8 registers") || errs.Len() > 0 || code == exitNoReply {
		t.Errorf("%d, %s\n%s", code, errs.String(), out.all.String())
	}
	if info, err := os.Stat(file); err != nil || info.Size() < 100 {
		t.Errorf("%v, %v", info, err)
	}
}
