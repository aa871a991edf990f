package gate

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll/internal/permit"
	"plumbline/poll/link"
	"plumbline/poll/safefile"
	"plumbline/regmap"
)

// dying is a link on which the program dies with a change: before it leaves, or
// once it was answered.
type dying struct {
	*link.Link
	before bool
}

func (d dying) Change(ctx context.Context, u regmap.Unit, q frame.Request, p permit.Permit, opts ...link.Option) (*decode.Exchange, error) {
	if !d.before {
		if _, err := d.Link.Change(ctx, u, q, p, opts...); err != nil {
			return nil, err
		}
	}
	runtime.Goexit()
	return nil, nil
}

// TestKilled: the program dies between log and send, and between send and read
// back. The log is whole, its last line says what may have happened, and the
// next run adds to it.
func TestKilled(t *testing.T) {
	for _, before := range []bool{true, false} {
		bench(t, onTCP, func(r *rig) {
			name := filepath.Join(r.TempDir(), "line.audit.jsonl")
			l, err := safefile.OpenLog(safefile.OS{}, name)
			if err != nil {
				r.Fatal(err)
			}
			g := r.newGate(dying{r.link, before})
			g.Log = l
			job := Job{Wants: []Want{r.want("lead-start", "1.65")}}
			var run sync.WaitGroup
			run.Go(func() { g.Write(r.Context(), job) })
			run.Wait()
			l.Close() // as the kernel does

			if changed := len(r.changes()) == 1; changed == before {
				r.Errorf("died before it left: %v, and the station saw it: %v", before, changed)
			}
			text, err := os.ReadFile(name)
			if err != nil {
				r.Fatal(err)
			}
			var events []string
			var last entry
			if _, err := safefile.Verify(bytes.NewReader(text), func(line []byte) error {
				last = entry{}
				err := json.Unmarshal(line, &last)
				events = append(events, last.Event)
				return err
			}); err != nil {
				r.Fatal(err)
			}
			if !slices.Equal(events, []string{"begin", "asked", "sending"}) || last.Point != "lead-start" || last.Station != "cistern" || last.From != "1.600 m (0640)" ||
				last.To != "1.650 m" || last.Request != "0600020672" || !strings.Contains(last.Words, "if no outcome follows it may have been done or not: read the point") {
				r.Errorf("%v, %+v", events, last)
			}

			again, err := safefile.OpenLog(safefile.OS{}, name)
			if err != nil {
				r.Fatal(err)
			}
			defer again.Close()
			g = r.newGate(r.link)
			g.Log = again
			r.ends2(g.Write(r.Context(), job), Done)
			if again.Lines() != 3+4 {
				r.Errorf("%d lines", again.Lines())
			}
		})
	}
}
