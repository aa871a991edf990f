package main

import (
	"context"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"time"

	"plumbline/decode/secure"
	"plumbline/poll/link"
	"plumbline/regmap/line"
)

// secureDialer opens a line over TLS. Its files are read now, and again for
// each connection: lists of withdrawn certificates are short-lived, and so are
// certificates.
func secureDialer(l *line.Line) (link.Dialer, error) {
	files := secureFiles(l)
	latest, err := secure.LoadClient(files, l.ServerName())
	if err != nil {
		return nil, notUnderstood("%s: %w", l.File, err)
	}
	var mu sync.Mutex
	load := func() (*secure.Client, error) {
		c, err := secure.LoadClient(files, l.ServerName())
		if err != nil {
			return nil, err
		}
		mu.Lock()
		defer mu.Unlock()
		c.Resume(latest)
		latest = c
		return c, nil
	}
	return func(ctx context.Context) (link.Stream, error) {
		client, err := load()
		if err != nil {
			return nil, err
		}
		conn, err := dialNet(ctx, l, "tcp")
		if err != nil {
			return nil, err
		}
		ctx, cancel := withMargin(ctx)
		defer cancel()
		s, err := client.Handshake(ctx, conn)
		if err != nil {
			return nil, fmt.Errorf("%s %s: %w", l.Medium, l.Address(), err)
		}
		return s, nil
	}, nil
}

// withMargin ends a little before ctx does, so that the handshake itself can
// say that it was not finished.
func withMargin(ctx context.Context) (context.Context, context.CancelFunc) {
	until, limited := ctx.Deadline()
	if !limited {
		return context.WithCancel(ctx)
	}
	return context.WithDeadline(ctx, until.Add(-time.Until(until)/20))
}

// secureFiles are the files of a TLS line: those of a line file lie in its
// folder and do not leave it, those of the command line lie anywhere.
func secureFiles(l *line.Line) secure.Files {
	open := func(name string) (fs.File, error) {
		const how = os.O_RDONLY | syscall.O_NONBLOCK // a named pipe must not hold us up
		if filepath.IsAbs(name) {
			return os.OpenFile(name, how, 0)
		}
		folder, err := os.OpenRoot(filepath.Dir(l.File))
		if err != nil {
			return nil, err
		}
		defer folder.Close()
		return folder.OpenFile(name, how, 0)
	}
	return secure.Files{CA: l.Keys.CA, Cert: l.Keys.Cert, Key: l.Keys.Key, CRL: l.Keys.CRL, Open: open}
}
