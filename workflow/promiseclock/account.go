package promiseclock

import (
	"slices"
	"time"
)

// Account is who a second of the shop's open time is put down to.
type Account string

const (
	AccountBench    Account = "bench"
	AccountCustomer Account = "customer"
	AccountParts    Account = "parts"
	AccountCarrier  Account = "carrier"
)

// accountOrder decides between pauses that began in the same second; pauseRank is the way back.
var accountOrder = []Account{AccountCustomer, AccountParts, AccountCarrier}

// Pauses reports whether the clock can stand still on this account: on all but the bench's own.
func (a Account) Pauses() bool { return slices.Contains(accountOrder, a) }

// Pause is a stretch [From, To) during which the promise clock stands still. One that doesn't end after it
// began is empty.
type Pause struct {
	From time.Time `json:"from"`
	// To is zero while the pause is running.
	To time.Time `json:"to,omitzero"`
	// For is who is being waited for.
	For Account `json:"for"`
	// Why tells pauses of different causes apart; the clock doesn't look at it.
	Why string `json:"why,omitempty"`
}

// Accounts are open time by who it is put down to. They add up to the open time exactly.
type Accounts struct {
	Bench, Customer, Parts, Carrier time.Duration
}

// Of returns one of the accounts.
func (a Accounts) Of(who Account) time.Duration {
	switch who {
	case AccountBench:
		return a.Bench
	case AccountParts:
		return a.Parts
	case AccountCarrier:
		return a.Carrier
	}
	return a.Customer
}

// Paused is what was not the bench's.
func (a Accounts) Paused() time.Duration { return a.Customer + a.Parts + a.Carrier }

// Total is all of it.
func (a Accounts) Total() time.Duration { return a.Bench + a.Paused() }

// Plus returns the sum of both.
func (a Accounts) Plus(b Accounts) Accounts {
	return Accounts{a.Bench + b.Bench, a.Customer + b.Customer, a.Parts + b.Parts, a.Carrier + b.Carrier}
}
