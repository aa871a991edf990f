package main

import (
	"context"
	"fmt"
	"net"

	"plumbline/poll/link"
	"plumbline/poll/port"
	"plumbline/regmap/line"
)

// dialer opens a line's port or connection.
func dialer(l *line.Line) (link.Dialer, error) {
	switch l.Medium {
	case line.SerialPort:
		return func(context.Context) (link.Stream, error) {
			return port.Open(l.Serial, portOptions(l))
		}, nil
	case line.TCP:
		return func(ctx context.Context) (link.Stream, error) {
			var d net.Dialer // keep-alive and no delay are its defaults
			c, err := d.DialContext(ctx, "tcp", l.Address())
			if err != nil {
				return nil, fmt.Errorf("tcp %s: %w", l.Address(), plainNet(err))
			}
			return c, nil
		}, nil
	}
	return nil, notUnderstood("%s: a line over %s cannot be opened by this command", l.File, l.Medium)
}
