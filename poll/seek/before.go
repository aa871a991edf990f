package seek

import (
	"context"
	"slices"
)

// listenFirst listens before the first request: on a serial line at the first
// settings, and when bytes come that make no frame there, at the others, until
// it is known who is talking.
func (s *seeker) listenFirst(ctx context.Context) error {
	if s.Quiet <= 0 || s.Order[0].Network() {
		return nil
	}
	var heard *Heard // another client, with damaged characters: its settings are others
	for _, at := range slices.Clone(s.Order) {
		if heard != nil && (at.Serial.Baud != heard.Settings.Serial.Baud || at.Framing != heard.Settings.Framing) {
			continue
		}
		h, err := s.listen(ctx, at)
		if ctx.Err() != nil {
			return errCancelled
		}
		if err != nil {
			if len(s.report.Heard) == 0 {
				continue
			}
			break
		}
		s.report.Heard = append(s.report.Heard, h)
		if h.Client() && h.Damaged == 0 {
			s.prefer(at)
			return s.judge(h)
		}
		if h.Client() && heard == nil {
			heard = &h
		}
		if s.report.Heard[0].Bytes <= strayBytes {
			return nil
		}
	}
	if heard != nil {
		return s.judge(*heard)
	}
	if len(s.report.Heard) == 0 {
		return nil // nothing can be opened; the first request will say why
	}
	return s.judge(s.report.Heard[0])
}

// listen opens a stream for listening only.
func (s *seeker) listen(ctx context.Context, at Settings) (Heard, error) {
	s.Progress(Progress{Settings: at, Words: "listening", Left: s.left})
	stream, err := s.Open(ctx, at)
	if err != nil {
		return Heard{}, err
	}
	defer stream.Close()
	return Listen(ctx, stream, at, s.Quiet, s.Clock)
}

// judge says whether a line that was listened to may be asked.
func (s *seeker) judge(h Heard) error {
	if s.attempt != nil { // behind a network, in the middle of the search
		s.report.Heard = append(s.report.Heard, h)
	}
	if !h.Client() && h.Bytes <= strayBytes {
		return nil
	}
	if s.Share {
		s.report.Shared = true
		return nil
	}
	if h.Client() {
		return errClient
	}
	return errNoise
}

// prefer puts settings at which frames were heard first.
func (s *seeker) prefer(at Settings) {
	i := slices.Index(s.Order, at)
	s.Order = slices.Insert(slices.Delete(s.Order, i, i+1), 0, at)
}
