package money

import (
	"fmt"
	"strings"
)

// Currency is an ISO 4217 alphabetic code: "CAD", "EUR", "JPY".
type Currency string

// The codes that have a minor unit, by its exponent. Source: ISO 4217 list one, published 2024-06-25;
// XCG (in use since 2025) by Unicode CLDR 48. Codes whose minor unit is "N.A." there (metals, test
// codes, baskets) can't hold a price and are left out.
var byExponent = map[int]string{
	0: "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX UYI VND VUV XAF XOF XPF",
	2: "AED AFN ALL AMD ANG AOA ARS AUD AWG AZN BAM BBD BDT BGN BMD BND BOB BOV BRL BSD BTN BWP BYN BZD " +
		"CAD CDF CHE CHF CHW CNY COP COU CRC CUC CUP CVE CZK DKK DOP DZD EGP ERN ETB EUR FJD FKP GBP GEL " +
		"GHS GIP GMD GTQ GYD HKD HNL HTG HUF IDR ILS INR IRR JMD KES KGS KHR KPW KYD KZT LAK LBP LKR LRD " +
		"LSL MAD MDL MGA MKD MMK MNT MOP MRU MUR MVR MWK MXN MXV MYR MZN NAD NGN NIO NOK NPR NZD PAB PEN " +
		"PGK PHP PKR PLN QAR RON RSD RUB SAR SBD SCR SDG SEK SGD SHP SLE SOS SRD SSP STN SVC SYP SZL THB " +
		"TJS TMT TOP TRY TTD TWD TZS UAH USD USN UYU UZS VED VES WST XCD XCG YER ZAR ZMW ZWG",
	3: "BHD IQD JOD KWD LYD OMR TND",
	4: "CLF UYW",
}

var exponents = func() map[Currency]int {
	m := make(map[Currency]int)
	for exp, codes := range byExponent {
		for code := range strings.FieldsSeq(codes) {
			m[Currency(code)] = exp
		}
	}
	return m
}()

// ParseCurrency reads a three-letter code in capitals.
func ParseCurrency(s string) (Currency, error) {
	c := Currency(s)
	if _, err := c.exponent(); err != nil {
		return "", err
	}
	return c, nil
}

// Exponent returns the number of decimals of the currency (0, 2, 3 or 4), and whether the code is known.
func (c Currency) Exponent() (n int, ok bool) {
	n, ok = exponents[c]
	return n, ok
}

func (c Currency) exponent() (int, error) {
	n, ok := exponents[c]
	if !ok {
		return 0, fmt.Errorf("%q is not a currency code of ISO 4217 with a minor unit; write three capital letters such as CAD or EUR", short(string(c)))
	}
	return n, nil
}

// short cuts what a person typed to a length that fits into a sentence.
func short(s string) string {
	const most = 40
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "") + "…"
}
