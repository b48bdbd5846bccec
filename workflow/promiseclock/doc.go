// Package promiseclock is the arithmetic of a promise: how much of a shop's open time it allows, when it is
// due, and to whose account each open second goes.
//
// An instant counts as worked if the shop is open then (package calendar) and no pause covers it. A [Quota]
// is hours of open time, working days, or a date; the [Turnaround] is due at the first instant at which the
// worked time since its start has reached the quota, and for a date never before it. So a pause moves the
// due instant by exactly the open time that it covers, a pause after the due instant cures nothing, and
// overlapping pauses count once. A breach is defined once, in [Turnaround.Breached], to the millisecond:
// ending exactly at the due instant is kept. Every open second from start to end is put to one of the
// [Accounts], which add up to the open time exactly.
//
// A working day is one with open time; the start's own day never counts (as in Regulation (EEC, Euratom)
// 1182/71, article 3, and FRCP 6(a)). There is no floating point. Instants are UTC; lengths are whole
// seconds.
package promiseclock
