package counter

import (
	"fmt"
	"strconv"
	"time"

	"benchword/templates/locale"
	"benchword/workflow"
)

// clockOf measures against the shop's calendar and puts it into words.
type clockOf struct {
	shop *workflow.Shop
	now  time.Time
	w    *locale.Words
	loc  *time.Location
}

func newClock(shop *workflow.Shop, now time.Time) clockOf {
	return clockOf{shop, now, locale.For("en").Short(), shop.Calendar.Location()}
}

// worked returns the open time between two instants.
func (k clockOf) worked(from, to time.Time) time.Duration { return k.shop.Calendar.Worked(from, to) }

// span says a length of working time: minutes below one hour, then hours.
func span(d time.Duration) string {
	if d < time.Hour {
		if n := int(d / time.Minute); n != 1 {
			return fmt.Sprintf("%d working minutes", n)
		}
		return "1 working minute"
	}
	if n := int(d / time.Hour); n != 1 {
		return fmt.Sprintf("%d working hours", n)
	}
	return "1 working hour"
}

// manyHours is where hours stop telling anybody anything and a date is said instead.
const manyHours = 40 * time.Hour

// day returns a date as one says it: "today", "Thu 3 December".
func (k clockOf) day(t time.Time) string { return k.w.On(t, k.now, k.loc) }

// at returns date and time of day: "today 17:00".
func (k clockOf) at(t time.Time) string { return k.day(t) + " " + k.w.Clock(t, k.loc) }

// due says when something runs out, by the day that customers read: midnight is 24:00 of the day that it ends.
func (k clockOf) due(t time.Time) string {
	if day := k.shop.DayOf(t); !day.Equal(t) {
		return k.day(day) + " 24:00"
	}
	return k.at(t)
}

// inHours says a length of working time in hours with one decimal, for columns.
func inHours(d time.Duration) string { return strconv.FormatFloat(d.Hours(), 'f', 1, 64) }

// dayOf returns a date of the shop's for staff: "Thu 3 December 2026".
func dayOf(t time.Time, shop *workflow.Shop) string {
	return newClock(shop, t).w.Date(t, shop.Calendar.Location())
}

// momentOf returns an instant for staff: "today 14:05", "Thu 3 December 09:12".
func momentOf(t, now time.Time, shop *workflow.Shop) string { return newClock(shop, now).at(t) }
