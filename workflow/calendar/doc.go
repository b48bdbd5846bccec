// Package calendar knows when a shop is open: a time zone, opening hours by weekday, holidays by rule and
// dated exceptions. It measures and adds open time exactly.
//
// The definition: the shop is open at the instant t if the wall time of t in the shop's zone lies, on its
// local date, in one of that date's intervals [from, to). An hour that a change of the clocks skips is
// therefore not there, and one that it repeats counts twice. Nothing here asks time.Date what a wall time
// means; see [Local] for that question.
//
//   - Resolution is one second: instants are cut down to the second they lie in, and durations that are
//     asked for are rounded up. No floating point.
//   - Instants are answered in UTC, except by [Local].
//   - A calendar reaches over the years 1970 to 2199 (UTC); outside it is closed. Where an answer would lie
//     beyond, ok is false.
//   - Zone data is the IANA time zone database inside the program ([ZoneDataVersion]), never the machine's.
//   - A [Calendar] never changes and is safe for use by many goroutines at once. The open time is laid down
//     in a table of running sums, which grows to the years that are asked for; questions within it take no
//     lock and allocate nothing, and are answered from indexes by day and by open time, however far apart
//     the instants are.
package calendar
