package main

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/money"
	"benchword/workflow/promiseclock"
)

// LevelSettings is one [[levels]]: a level of service.
type LevelSettings struct {
	Key   string            `toml:"key"`
	Name  string            `toml:"name"`
	Names map[string]string `toml:"names"`
	Text  string            `toml:"text"`
	// One of the three is the promise.
	WorkingDays  int                     `toml:"working_days"`
	WorkingHours promiseclock.QuotaHours `toml:"working_hours"`
	Date         bool                    `toml:"date"`
	// Price is the line on a quote, with its tax.
	Price string `toml:"price"`
	Tax   string `toml:"tax"`
	// What the counter holds itself to, in working hours from arrival on.
	Look   promiseclock.QuotaHours `toml:"first_look_within_hours"`
	Answer promiseclock.QuotaHours `toml:"answer_within_hours"`
}

const levelExample = "\n[[levels]]\nkey = \"express\"\nname = \"Express\"\nworking_days = 3\nprice = \"35.00\"\ntax = \"hst\""

// settingError is what is wrong with a setting, or with one table of a list.
type settingError struct {
	key string // or the list's name
	nth int    // the table in its list, from 0; alone for a setting that is in none
	err error
}

const alone = -1

func (e *settingError) Error() string { return e.err.Error() }

// line finds the setting's or the table's line in the text.
func (e *settingError) line(text []byte) int {
	if e.nth == alone {
		return lineOf(text, e.key)
	}
	n, at := 0, 0
	for l := range strings.Lines(string(text)) {
		n++
		if l = strings.TrimSpace(l); strings.HasPrefix(l, "[[") && header(l) == e.key {
			if at == e.nth {
				return n
			}
			at++
		}
	}
	return 1
}

// levels turns the settings into the domain's levels.
func (s *Settings) levels(shop *workflow.Shop) error {
	if len(s.Levels) > 8 {
		return &settingError{"levels", 8, fmt.Errorf("at most eight levels of service can be offered")}
	}
	for i := range s.Levels {
		l, err := s.Levels[i].level(shop)
		if err == nil && shop.Level(l.Key) != nil {
			err = fmt.Errorf("key = %q stands at an earlier level already", l.Key)
		}
		if err != nil {
			name := s.Levels[i].Name
			if name == "" {
				name = s.Levels[i].Key
			}
			return &settingError{"levels", i, fmt.Errorf("level of service %q: %w. Example: %s", name, err, levelExample)}
		}
		shop.Levels = append(shop.Levels, *l)
	}
	return nil
}

func (x *LevelSettings) level(shop *workflow.Shop) (*workflow.Level, error) {
	l := &workflow.Level{Key: x.Key, Name: strings.TrimSpace(x.Name), Names: x.Names, Text: strings.TrimSpace(x.Text), ByDate: x.Date}
	if !workflow.ShopID(x.Key).Valid() {
		return nil, fmt.Errorf("key may hold only a-z, 0-9 and -, at most 32 of them")
	}
	if l.Name == "" || len([]rune(l.Name)) > 60 || len([]rune(l.Text)) > 200 {
		return nil, fmt.Errorf("name is missing, or name or text is too long (60 and 200 characters)")
	}
	for _, lang := range slices.Sorted(maps.Keys(x.Names)) {
		if !slices.Contains(locale.Languages, lang) {
			return nil, fmt.Errorf("names: %q is none of %s", lang, strings.Join(locale.Languages, ", "))
		}
	}
	given := 0
	for _, is := range []bool{x.WorkingDays != 0, x.WorkingHours != 0, x.Date} {
		if is {
			given++
		}
	}
	if given != 1 {
		return nil, fmt.Errorf("it promises working_days, working_hours or a date (date = true): one of the three")
	}
	if x.WorkingDays < 0 || x.WorkingDays > 365 {
		return nil, fmt.Errorf("working_days go from 1 to 365")
	}
	if !x.Date {
		l.Promise = promiseclock.Quota{WorkingDays: x.WorkingDays, WorkingHours: x.WorkingHours}
	}
	l.Look, l.Answer = promiseclock.Quota{WorkingHours: x.Look}, promiseclock.Quota{WorkingHours: x.Answer}
	if x.Price == "" {
		if x.Tax != "" {
			return nil, fmt.Errorf("there is a tax but no price")
		}
		return l, nil
	}
	a, err := money.Parse(x.Price, shop.Currency)
	if err != nil {
		return nil, fmt.Errorf("price = %q is not an amount in %s: %w", x.Price, shop.Currency, err)
	}
	if a.Minor < 0 {
		return nil, fmt.Errorf("the price can't be below zero")
	}
	if _, ok := shop.Taxes[x.Tax]; x.Tax != "" && !ok {
		return nil, fmt.Errorf("there is no tax called %q under [money]", x.Tax)
	}
	if a.Minor > 0 {
		price, err := money.ParseDecimal(a.Plain())
		if err != nil {
			return nil, err
		}
		l.Fee = &money.Line{Kind: money.Fee, Text: l.Name, Quantity: money.MustDecimal("1"), UnitPrice: price, Tax: x.Tax}
	}
	return l, nil
}
