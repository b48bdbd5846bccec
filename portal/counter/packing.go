package counter

import (
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"benchword/templates"
	"benchword/workflow"
)

// packingPage reconciles the contents and takes the parcel number.
type packingPage struct {
	jobBase
	Items []packRow
	// Serial is the one read on arrival; Warranty what is given if nothing else is said.
	Warranty int
	Repaired bool
	// Ship offers to mark it as gone with the same press.
	Ship bool
	// Abroad: carriers have days of their own to other countries.
	Abroad bool
	// Lithium: it holds a lithium cell, or may. MadeSafe is how it was made safe to go back unrepaired.
	Lithium  bool
	MadeSafe *workflow.MadeSafe
}

func (*packingPage) Template() string { return "packing.html" }

// packRow is one item of the contents in the form.
type packRow struct {
	ID                   int
	Text, Condition      string
	Device               bool
	FateField, NoteField string
}

// Words names the item, and marks the device.
func (r packRow) Words() string {
	s := r.Text
	if r.Device {
		s += " (the device)"
	}
	if r.Condition != "" {
		s += ", came in: " + r.Condition
	}
	return s
}

var packingTask = &task{
	fields: map[string]string{"note": "items", "fate": "items", "cell": "cell_charge", "to": ""},
	fill: func(r *request) {
		v := r.form.Values
		for _, it := range r.job.Contents {
			id := strconv.Itoa(it.ID)
			for _, p := range r.job.Packed {
				if p.Item == it.ID {
					v.Set("fate-"+id, string(p.Fate))
					v.Set("note-"+id, p.Note.Text)
				}
			}
		}
		if v.Set("way", "post"); r.job.Wishes.Return == workflow.ReturnCollect {
			v.Set("way", "person")
		}
		if s := r.job.Shipment; s != nil {
			v.Set("carrier", s.Carrier)
			v.Set("parcel", s.Parcel.Text)
			v.Set("country", s.Country)
			v.Set("serial", s.Serial.Text)
			v.Set("warranty_days", strconv.Itoa(s.WarrantyDays))
			if x := s.Cell; x != nil {
				if x.Charge != nil {
					v.Set("cell_charge", strconv.Itoa(*x.Charge))
				}
				for name, is := range map[string]bool{"cell_off": x.Off, "cell_marked": x.Marked} {
					if is {
						v.Set(name, "yes")
					}
				}
			}
			if s.InPerson {
				v.Set("way", "person")
			}
		}
	},
	view: func(r *request) (templates.View, error) {
		v := &packingPage{Warranty: r.shop().WarrantyDays, Repaired: r.job.Outcome.Repaired(), MadeSafe: r.job.SafeToReturn()}
		v.Lithium = r.job.Screening != nil && r.job.Screening.Lithium.Taken()
		if _, o := r.job.Approved(); o != nil && o.WarrantyDays > 0 {
			v.Warranty = o.WarrantyDays
		}
		for _, it := range r.job.Contents {
			id := strconv.Itoa(it.ID)
			v.Items = append(v.Items, packRow{ID: it.ID, Text: it.Text, Condition: it.Condition, Device: it.Device, FateField: "fate-" + id, NoteField: "note-" + id})
		}
		v.jobBase = r.title("Pack and post")
		v.Ship = v.Counter
		v.Abroad = slices.ContainsFunc(r.shop().Carriers, func(c workflow.Carrier) bool { return len(c.Abroad) > 0 })
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		var out []workflow.Command
		var items []workflow.PackedItem
		for _, it := range r.job.Contents {
			id := strconv.Itoa(it.ID)
			fate, note := workflow.Fate(r.value("fate-"+id)), strings.TrimSpace(r.value("note-"+id))
			if fate == "" {
				if note != "" {
					r.form.Add("fate-"+id, fmt.Sprintf("Say where “%s” went.", it.Text))
				}
				continue
			}
			if fate != workflow.FateReturned && note == "" {
				r.form.Add("note-"+id, fmt.Sprintf("Say in a few words why “%s” does not go back as it came.", it.Text))
			}
			if slices.ContainsFunc(r.job.Packed, func(p workflow.PackedItem) bool { return p.Item == it.ID && p.Fate == fate && p.Note.Text == note }) {
				continue
			}
			items = append(items, workflow.PackedItem{Item: it.ID, Fate: fate, Note: workflow.Plain(note)})
		}
		if len(items) > 0 {
			out = append(out, workflow.Pack{Items: items})
		}
		s := workflow.PrepareShipment{
			InPerson: r.value("way") == "person", Carrier: r.value("carrier"), Parcel: r.value("parcel"), Country: r.value("country"), Serial: r.value("serial"),
			WarrantyDays: r.number("warranty_days", "The warranty"),
		}
		if cell := (workflow.PackedCell{Off: r.value("cell_off") != "", Marked: r.value("cell_marked") != ""}); cell.Off || cell.Marked || r.value("cell_charge") != "" {
			if charge := r.number("cell_charge", "The charge of the cell"); r.value("cell_charge") != "" {
				cell.Charge = &charge
			}
			s.Cell = &cell
		}
		ship := r.value("do") == "ship"
		typed := s.InPerson || strings.TrimSpace(s.Parcel+s.Serial+s.Carrier) != ""
		if typed && !sameShipment(r.job.Shipment, s) {
			out = append(out, s)
		}
		out = append(out, r.addPhotos(workflow.PhotoPacking)...)
		r.said = "Saved."
		if ship {
			out = append(out, workflow.Go{To: workflow.StageShipped})
			r.said = "It has left the shop. The customer is told."
		} else if len(out) == 0 {
			r.said = "Nothing was changed."
		}
		return out, nil
	},
}

func sameShipment(old *workflow.Shipment, s workflow.PrepareShipment) bool {
	if old == nil {
		return false
	}
	return old.InPerson == s.InPerson && (s.InPerson || old.Carrier == strings.TrimSpace(s.Carrier) && old.Parcel.Text == strings.TrimSpace(s.Parcel) && old.Country == strings.ToUpper(strings.TrimSpace(s.Country))) &&
		old.Serial.Text == strings.TrimSpace(s.Serial) && reflect.DeepEqual(old.Cell, s.Cell) && (s.WarrantyDays == 0 || old.WarrantyDays == s.WarrantyDays)
}
