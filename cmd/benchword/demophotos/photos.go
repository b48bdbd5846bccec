// Package demophotos holds the pictures that the demo's jobs are illustrated
// with: parcels, contents, boards with faults and traces of earlier work, the
// same places put right, and tests.
//
// They are rendered illustrations, each marked as such in its corner; the
// scenes they come from, and the script that renders them again, are in
// testdata/scenes. Every picture is a JPEG of 1600 by 1200 pixels without EXIF.
// Where a Photo names a Before, the two share camera, light and scene, so that
// they can stand side by side.
package demophotos

import (
	"embed"
	"fmt"
)

//go:embed *.jpg medium/*.jpg small/*.jpg
var files embed.FS

// Kind says at which point of a job a picture would be taken.
type Kind string

const (
	// Arrival is a parcel as it came.
	Arrival Kind = "arrival"
	// Contents is everything from one parcel, laid out.
	Contents Kind = "contents"
	// Overview is a whole board, nothing in particular marked.
	Overview Kind = "overview"
	// Fault is something that has failed by age, heat, wear or spill.
	Fault Kind = "fault"
	// PriorWork is a trace of earlier work by somebody else.
	PriorWork Kind = "prior_work"
	// Repair is a place after the bench has put it right.
	Repair Kind = "repair"
	// Test is a device or board being measured.
	Test Kind = "test"
	// Packing is the parcel ready to go back.
	Packing Kind = "packing"
)

// Photo is one picture.
type Photo struct {
	File    string // name of the JPEG, such as "capacitor-bulging.jpg"
	Kind    Kind
	Caption string // one plain sentence, as a technician would write it
	Alt     string // what there is to see, for somebody who can't see it
	Before  string // File of the picture this one is the "after" of; or empty
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
	{File: "parcel-closed.jpg", Kind: Arrival,
		Caption: "The parcel as it arrived, sealed and undamaged.",
		Alt:     "A brown cardboard parcel closed with tape, with an address label on top and “fragile” printed on its side, on a green bench mat."},
	{File: "parcel-dented.jpg", Kind: Arrival,
		Caption: "The parcel arrived with one corner crushed.",
		Alt:     "A brown cardboard parcel whose near upper right corner is pushed in and creased; tape and label are whole."},
	{File: "parcel-open.jpg", Kind: Arrival,
		Caption: "Opened: the recorder lay loose in packing chips.",
		Alt:     "An open carton with its flaps folded back; a dark field recorder lies half sunk in pale packing chips."},
	{File: "contents-stage-piano.jpg", Kind: Contents,
		Caption: "Stage piano, power adaptor and pedal.",
		Alt:     "A black stage piano with wooden end cheeks on a blue mat; in front of it a power adaptor with its lead and a pedal with its lead."},
	{File: "contents-film-scanner.jpg", Kind: Contents,
		Caption: "Film scanner, two film holders, one with film in it, and the cable.",
		Alt:     "A light grey film scanner on a green mat, beside it two black film holders, one holding a strip of film, and a coiled cable."},
	{File: "contents-field-recorder.jpg", Kind: Contents,
		Caption: "Field recorder, two microphones, two cells and a lead.",
		Alt:     "A field recorder with a lit display, two black microphones, two AA cells and a coiled lead with a gold plug, laid out on a blue mat."},
	{File: "contents-marine-radio.jpg", Kind: Contents,
		Caption: "Marine radio, charging cradle, belt clip and box.",
		Alt:     "A hand-held marine radio with orange sides, its display showing 16, next to its charging cradle, a belt clip and its printed box."},
	{File: "contents-bench-supply.jpg", Kind: Contents,
		Caption: "Bench supply with a red lead, a black lead and the mains lead.",
		Alt:     "A bench power supply with two displays, four knobs and three terminals on a green mat; a red and a black test lead lie before it."},
	{File: "board-overview.jpg", Kind: Overview,
		Caption: "The main board, taken out, before any work.",
		Alt:     "A whole green circuit board with chips, capacitors and white connectors on a blue mat, one loose screw beside it."},
	{File: "board-burnt.jpg", Kind: Fault,
		Caption: "The driver chip U6 has burst and the board under it is scorched.",
		Alt:     "Close view of a blue circuit board: a small chip with a crater in its lid, blackened board around it, crumbs of its casing scattered about."},
	{File: "capacitor-bulging.jpg", Kind: Fault,
		Caption: "Capacitor C7 has bulged and leaked.",
		Alt:     "Three blue capacitors on a green board; the lid of the middle one is domed, brown crust has come out of it and a brown stain lies round its foot."},
	{File: "capacitor-new.jpg", Kind: Repair, Before: "capacitor-bulging.jpg",
		Caption: "C7 and its neighbour replaced; the board cleaned.",
		Alt:     "The same place: two new brown and gold capacitors with flat lids beside the blue one, and no stain on the board."},
	{File: "pad-lifted-wire.jpg", Kind: PriorWork,
		Caption: "A pad has been lifted off the board and a wire added between two points that the maker does not join.",
		Alt:     "Green circuit board: a curl of copper stands up from a bare patch, and a thin red-brown enamelled wire runs from a chip's leg to a solder blob beside it."},
	{File: "flux-residue.jpg", Kind: PriorWork,
		Caption: "Flux was left all round chip U9 after it had been soldered.",
		Alt:     "A large black chip on a blue board with glassy amber residue pooled around its legs."},
	{File: "flux-washed.jpg", Kind: Repair, Before: "flux-residue.jpg",
		Caption: "The flux round U9 washed off; the joints beneath are sound.",
		Alt:     "The same chip with clean legs and clean blue board around it."},
	{File: "solder-bridge.jpg", Kind: PriorWork,
		Caption: "Solder joins two legs of chip U3 that must not touch.",
		Alt:     "Very close view of a chip's legs on a green board; a bright lump of solder spans the gap between two of them."},
	{File: "solder-bridge-cleared.jpg", Kind: Repair, Before: "solder-bridge.jpg",
		Caption: "The surplus solder is gone; each leg stands alone.",
		Alt:     "The same row of legs, each with its own small joint and a clear gap to the next."},
	{File: "joint-cracked.jpg", Kind: Fault,
		Caption: "One connector joint has cracked all the way round its pin.",
		Alt:     "Solder side of a green board: between two shiny joints stands a dull grey one with a dark ring round its pin and a brown halo on the board."},
	{File: "joint-resoldered.jpg", Kind: Repair, Before: "joint-cracked.jpg",
		Caption: "The joint made afresh with new solder.",
		Alt:     "The same row of pins; all joints are shiny and close evenly round their pins."},
	{File: "screw-missing.jpg", Kind: PriorWork,
		Caption: "One board screw was missing; a shorter one of another kind lay inside.",
		Alt:     "Corner of a blue board: one mounting hole has its steel screw, the other is empty, and a short black screw lies on the board beside it."},
	{File: "screw-fitted.jpg", Kind: Repair, Before: "screw-missing.jpg",
		Caption: "A screw of the right length fitted; the short one is returned in a bag.",
		Alt:     "The same corner of the board with matching steel screws in both mounting holes."},
	{File: "connector-corroded.jpg", Kind: Fault,
		Caption: "Battery connector J7 is corroded; the first two pins no longer make contact.",
		Alt:     "A cream connector with five pins; a greenish white growth covers the pins at its left end and has run onto the board."},
	{File: "connector-cleaned.jpg", Kind: Repair, Before: "connector-corroded.jpg",
		Caption: "J7 cleaned, and its pins tinned again.",
		Alt:     "The same connector, clean, with five bright pins on a clean green board."},
	{File: "compound-dried.jpg", Kind: Fault,
		Caption: "The thermal compound has dried out and crumbled; heat no longer reaches the heat sink.",
		Alt:     "A processor with a cracked, cream-coloured crust on its metal lid; the heat sink lies beside it with the same crust."},
	{File: "compound-fresh.jpg", Kind: Repair, Before: "compound-dried.jpg",
		Caption: "Both faces cleaned and fresh thermal compound spread.",
		Alt:     "The same processor with an even layer of smooth grey compound; the heat sink beside it has a bare, polished face."},
	{File: "flex-torn.jpg", Kind: Fault,
		Caption: "The lamp's flat cable has torn at its connector.",
		Alt:     "A white flat cable on a blue board, torn across just behind its connector, with copper ends standing out of the tear."},
	{File: "flex-new.jpg", Kind: Repair, Before: "flex-torn.jpg",
		Caption: "A new flat cable fitted.",
		Alt:     "The same connector with an unbroken white flat cable seated in it."},
	{File: "contacts-dirty.jpg", Kind: Fault,
		Caption: "Dust, lint and a dried spill on the key contacts.",
		Alt:     "A piano's contact board with a brown tide mark, dust and fibres over its contacts; behind it the rubber strip with dull black pills."},
	{File: "contacts-clean.jpg", Kind: Repair, Before: "contacts-dirty.jpg",
		Caption: "Key contacts and rubber strip cleaned.",
		Alt:     "The same contact board, clean, its carbon combs plain to see; behind it the rubber strip with clean black pills."},
	{File: "test-meter.jpg", Kind: Test,
		Caption: "On test: the 12 V rail measures 12.05 V.",
		Alt:     "A yellow multimeter showing 12.05 beside a green circuit board with a red and a black probe on its test points."},
	{File: "test-bench-supply.jpg", Kind: Test,
		Caption: "Running from the bench supply: 12.00 V, 0.348 A.",
		Alt:     "A bench supply showing 12.00 volts and 0.348 amps, its red and black leads running to a field recorder whose display is lit."},
	{File: "parcel-packed.jpg", Kind: Packing,
		Caption: "Wrapped, cushioned and ready to go back, with the list of what is inside.",
		Alt:     "An open carton with a device in bubble wrap bedded in pale packing chips, a sheet reading “Repaired and tested” taped on top."},
}
