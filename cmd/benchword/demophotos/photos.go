// Package demophotos holds the pictures that the demo's jobs are illustrated
// with: parcels, contents, boards with faults and traces of earlier work, the
// same places put right, and tests.
//
// They are rendered illustrations, each marked as such in its corner; the
// scenes they come from, and the script that renders them again, are in
// testdata/scenes. Every picture is a JPEG of 1600 by 1200 pixels without EXIF.
// What is said of them, in each language, stands in the demo's words.
package demophotos

import (
	"embed"
	"fmt"
)

//go:embed *.jpg medium/*.jpg small/*.jpg
var files embed.FS

// Photo is one picture, and what its scene has in it. A job that it illustrates must be of that device, list
// those things, and name that part.
type Photo struct {
	File  string // name of the JPEG, such as "capacitor-bulging.jpg"
	Scene string // what it is rendered from
	// Maker and Model are the device's in the picture, as printed on it; "" where no device can be told.
	Maker, Model string
	// Things are what lies there, the device first; only of contents.
	Things []string
	// Part is the one that the picture is of, as printed on the board beside it.
	Part string
}

// JPEG returns the picture's bytes.
func (p Photo) JPEG() ([]byte, error) { return read(p.File) }

// Medium returns the medium copy that the desk makes of it.
func (p Photo) Medium() ([]byte, error) { return read("medium/" + p.File) }

// Small returns the small copy that the desk makes of it.
func (p Photo) Small() ([]byte, error) { return read("small/" + p.File) }

func read(name string) ([]byte, error) {
	b, err := files.ReadFile(name)
	if err != nil {
		return nil, fmt.Errorf("demo photo %q: %w", name, err)
	}
	return b, nil
}

// Find returns the picture with that file name.
func Find(file string) (Photo, bool) {
	for _, p := range All {
		if p.File == file {
			return p, true
		}
	}
	return Photo{}, false
}

// All lists every picture, in the order in which a job would meet them.
var All = []Photo{
	{File: "parcel-closed.jpg", Scene: "parcel-closed.pov"},
	{File: "parcel-dented.jpg", Scene: "parcel-closed.pov"},
	{File: "parcel-open.jpg", Scene: "parcel-open.pov", Maker: "Halden", Model: "FR-2"},
	{File: "contents-stage-piano.jpg", Scene: "contents-stage-piano.pov", Maker: "Ostrava Tide", Model: "Stage 88", Things: []string{"piano", "adaptor", "pedal"}},
	{File: "contents-film-scanner.jpg", Scene: "contents-film-scanner.pov", Maker: "Halden", Model: "FS-35", Things: []string{"scanner", "holder with film", "empty holder", "USB cable", "mains lead"}},
	{File: "contents-field-recorder.jpg", Scene: "contents-field-recorder.pov", Maker: "Halden", Model: "FR-2", Things: []string{"recorder", "microphones", "cells", "lead"}},
	{File: "contents-muddy-recorder.jpg", Scene: "contents-field-recorder.pov", Maker: "Halden", Model: "FR-2", Things: []string{"recorder", "microphones", "cells", "lead"}},
	{File: "contents-marine-radio.jpg", Scene: "contents-marine-radio.pov", Maker: "Ostrava Tide", Model: "VHF 5", Things: []string{"radio", "cradle", "clip", "box"}},
	{File: "contents-bench-supply.jpg", Scene: "contents-bench-supply.pov", Maker: "Ostrava Tide", Model: "BS-30", Things: []string{"supply", "mains lead", "red lead", "black lead"}},
	{File: "board-burnt.jpg", Scene: "board-burnt.pov", Part: "U6"},
	{File: "capacitor-bulging.jpg", Scene: "capacitor.pov", Part: "C7"},
	{File: "pad-lifted-wire.jpg", Scene: "pad-wire.pov", Part: "U3"},
	{File: "flux-residue.jpg", Scene: "flux.pov", Part: "U9"},
	{File: "flux-washed.jpg", Scene: "flux.pov", Part: "U9"},
	{File: "solder-bridge.jpg", Scene: "bridge.pov", Part: "U3"},
	{File: "joint-cracked.jpg", Scene: "joint.pov", Part: "J4"},
	{File: "joint-resoldered.jpg", Scene: "joint.pov", Part: "J4"},
	{File: "screw-missing.jpg", Scene: "screw.pov", Maker: "Halden", Model: "FS-35", Part: "H2"},
	{File: "connector-corroded.jpg", Scene: "connector.pov", Part: "J7"},
	{File: "compound-dried.jpg", Scene: "heatsink.pov", Part: "U1"},
	{File: "compound-fresh.jpg", Scene: "heatsink.pov", Part: "U1"},
	{File: "flex-torn.jpg", Scene: "flex.pov", Part: "J2"},
	{File: "test-meter.jpg", Scene: "test-meter.pov"},
	{File: "test-bench-supply.jpg", Scene: "test-bench-supply.pov", Maker: "Halden", Model: "FR-2"},
	{File: "test-load.jpg", Scene: "test-load.pov", Maker: "Ostrava Tide", Model: "BS-30"},
	{File: "parcel-packed.jpg", Scene: "parcel-open.pov"},
}
