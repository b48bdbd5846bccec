package main

import (
	"context"
	_ "embed"
	"io"
)

// settingsText is a shop.toml in which every setting stands, those that need not be set behind a "#": the
// one place that explains them. config_test.go holds it to the code.
//
//go:embed shop.toml
var settingsText string

// runInit prints the settings that a new shop begins with.
func runInit(_ context.Context, args []string, _ io.Reader, out, errOut io.Writer) error {
	if _, err := parse(flags("init", errOut), args); err != nil {
		return err
	}
	_, err := io.WriteString(out, settingsText)
	return err
}
