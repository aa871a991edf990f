package port

import (
	"context"
	"time"
)

// drain waits until nothing is queued any more, or until ctx ends. It asks
// again when the bytes that were left must have gone, each taking char.
func drain(ctx context.Context, char time.Duration, queued func() (int, error)) error {
	for {
		left, err := queued()
		if err != nil || left == 0 {
			return err
		}
		wait := time.NewTimer(max(time.Duration(left)*char, time.Millisecond))
		select {
		case <-ctx.Done():
			wait.Stop()
			return ctx.Err()
		case <-wait.C:
		}
	}
}
