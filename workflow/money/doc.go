// Package money is exact money: amounts in the minor unit of an ISO 4217 currency, exact decimals for
// quantities, unit prices and percentages, and the pricing of a list of lines with taxes.
//
// Contract:
//
//   - There is no floating point anywhere. An [Amount] is a whole number of minor units; a [Decimal] is
//     a whole number and a count of decimals.
//   - Nothing wraps. An amount has at most 15 digits ([MaxMinor]), a decimal at most 15 digits of which
//     at most 9 stand after the point ([MaxDigits], [MaxDecimals]), a list at most [MaxLines] lines.
//     What does not fit is an error that names the limit. Fifteen digits are also the most that a
//     program which reads numbers as IEEE 754 doubles keeps exactly.
//   - Rounding is half away from zero ([HalfAway]), once for each line and once for each tax, as
//     EN 16931 has it (BR-CO-17); 0.005 becomes 0.01 and -0.005 becomes -0.01.
//   - Sums are taken over whole minor units, so the order of lines does not matter.
//   - Errors are sentences for the person who typed the value. None of them holds anything but the
//     value and its place.
//
// Why no decimal library: with the limits above every product of two values fits into 128 bits, so the
// whole of the arithmetic is one function, a*b/c rounded, over [math/bits]. It needs no allocation and
// leaves one single place where rounding happens. The tests hold it against [math/big] as the oracle.
//
// # Decisions
//
//   - 2026-11-25: Rounding is half away from zero, to the minor unit: each line, and each tax once over the
//     sum of its lines (EN 16931, BR-CO-17, and its negative example; CRA GI-131, as ETA s. 165.2 allows).
//     HMRC Notice 700 s. 17.5 allows a line's tax to the nearest 1p or 0.1p; ours is by total, which its
//     retailers' rule (never down) permits too.
package money
