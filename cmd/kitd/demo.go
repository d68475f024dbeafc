package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"kitd/internal/demo"
)

type demoCmd struct {
	Data string `help:"Folder to build in and keep; empty: a temporary one that is removed." type:"path" placeholder:"DIR"`
	Addr string `default:"127.0.0.1:8080" help:"Address to serve on; port 0 takes a free one."`
}

// Run builds the invented pool and serves it.
func (c *demoCmd) Run(ctx context.Context, s streams) (err error) {
	dir := c.Data
	if dir == "" {
		var drop func() error
		if dir, drop, err = scratch(); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, drop()) }()
	}
	path := filepath.Join(dir, "kitd.db")
	if _, err := os.Stat(path); err == nil {
		return fmt.Errorf("%s is there already; choose an empty folder, or `kitd serve --database sqlite:%s`", path, path)
	}
	clock := demo.NewClock(time.Now)
	set := settings{Database: "sqlite:" + path, Listen: c.Addr, MailFrom: "kitd@localhost", LogLevel: "warn"}
	h, err := open(ctx, set, clock.Now, logger(set, s.err), true)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, h.close()) }()
	cast, err := demo.Build(ctx, demo.House{Gate: h.gate, Pool: h.pool, Desk: h.desk, Office: h.office, Clock: clock})
	if err != nil {
		return err
	}
	clock.Release()
	return h.serve(ctx, s, func(url string) error {
		for _, line := range []string{
			"url: " + url,
			"coordinator: " + cast.Coordinator.Name + " " + cast.Coordinator.Password,
			"surveyor: " + cast.Surveyor.Name + " " + cast.Surveyor.Password,
			"calendar: " + url + "/caldav/ " + cast.Surveyor.Name + " " + cast.AppPassword,
			"api: " + cast.Token,
		} {
			fmt.Fprintln(s.out, line)
		}
		return nil
	})
}
