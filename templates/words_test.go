package templates

import (
	"bytes"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"benchword/templates/locale"
	"benchword/templates/viewtest"
	"benchword/workflow"
	"benchword/workflow/money"
	"benchword/workflow/promiseclock"

	"github.com/stretchr/testify/require"
)

// keysOf lists the values of string types that words are looked up by.
func keysOf[T ~string](prefix, suffix string, values ...T) []string {
	var out []string
	for _, v := range values {
		out = append(out, prefix+string(v)+suffix)
	}
	return out
}

// Whatever a job can hold has its words.
func TestEveryValueHasItsWords(t *testing.T) {
	var keys []string
	keys = append(keys, keysOf("stage.", "", workflow.Stages...)...)
	keys = append(keys, keysOf("report.next.", "", workflow.Stages...)...)
	keys = append(keys, keysOf("outcome.", "", workflow.Outcomes...)...)
	for _, c := range []workflow.Certainty{workflow.CertaintyMeasured, workflow.CertaintySeen, workflow.CertaintyInferred} {
		keys = append(keys, keysOf("origin.", "."+string(c), workflow.Origins...)...)
	}
	keys = append(keys, keysOf("weight.", "", workflow.Weights...)...)
	keys = append(keys, keysOf("weight.", ".inferred", workflow.Weights...)...)
	keys = append(keys, keysOf("certainty.", "", workflow.Certainties...)...)
	keys = append(keys, keysOf("cause.", "", workflow.Certainties...)...)
	for _, p := range []string{"hold.", "held.", "story.hold.placed.", "story.hold.lifted."} {
		keys = append(keys, keysOf(p, "", workflow.HoldReasons...)...)
	}
	for _, p := range []string{"strip.cause.", "when.if."} {
		keys = append(keys, keysOf(p, "", workflow.HoldPayment, workflow.HoldInsurer, workflow.HoldDocuments)...)
	}
	for _, p := range []string{"why.for.", "when.if."} {
		keys = append(keys, keysOf(p, "", promiseclock.AccountCustomer, promiseclock.AccountParts, promiseclock.AccountCarrier)...)
	}
	keys = append(keys, keysOf("photo.alt.", "", workflow.PhotoKinds()...)...)
	keys = append(keys, keysOf("option.", "", workflow.OptionKinds...)...)
	keys = append(keys, keysOf("line.", "", money.LineKinds...)...)
	keys = append(keys, keysOf("quote.prices.", "", money.BeforeTax, money.WithTax)...)
	states := []workflow.QuoteState{workflow.RevisionApproved, workflow.RevisionDeclined, workflow.RevisionWithdrawn, workflow.RevisionSuperseded, workflow.RevisionExpired}
	keys = append(keys, keysOf("quote.state.", "", append(states, workflow.RevisionOpen)...)...)
	keys = append(keys, keysOf("ended.", ".more", states...)...)
	keys = append(keys, keysOf("tried.", "", workflow.FaultReproduced, workflow.FaultNotReproduced, workflow.FaultIntermittent)...)
	keys = append(keys, keysOf("tried.not_tried.", "", workflow.NotTriedReasons...)...)
	for _, o := range workflow.Outcomes {
		if o.Explained() != "" {
			keys = append(keys, keysOf("where.", "", o)...)
			keys = append(keys, keysOf("mail.ready.", ".subject", o)...)
		}
	}
	for _, p := range []string{"verdict.", "check.", "story.check.done."} {
		keys = append(keys, keysOf(p, "", workflow.CheckConfirmed, workflow.CheckRuledOut, workflow.CheckUnclear)...)
	}
	keys = append(keys, keysOf("fate.", "", workflow.FateReturned, workflow.FateReplaced, workflow.FateRecycled, workflow.FateKept)...)
	for _, p := range []string{"done.said.", "story.decision.made."} {
		keys = append(keys, keysOf(p, "", workflow.VerdictApprove, workflow.VerdictDecline, workflow.VerdictAsk)...)
	}
	keys = append(keys, keysOf("story.stage.", "", workflow.Stages[1:]...)...)
	keys = append(keys, keysOf("mark.", "", workflow.MarkRing, workflow.MarkArrow, workflow.MarkPoint, workflow.MarkBlur)...)
	keys = append(keys, keysOf("duty.open.", "", workflow.AtOnce, workflow.StageTesting, workflow.StageShipped)...)
	w := locale.For("en")
	for _, k := range keys {
		require.True(t, w.Has(k), "there are no words for %s", k)
	}
}

// used finds the texts that the sources ask for: whole keys, and beginnings that more is added to.
func used(t testing.TB) (whole map[string]string, literals map[string]bool) {
	whole, literals = map[string]string{}, map[string]bool{}
	var files []string
	for _, dir := range []string{".", "*", "../portal", "../portal/*", "../notify", "../notify/*"} {
		for _, ext := range []string{"*.go", "*.html", "*.txt"} {
			m, err := filepath.Glob(filepath.Join(dir, ext))
			require.NoError(t, err)
			files = append(files, m...)
		}
	}
	inPage := regexp.MustCompile(`T "([^"]+)"`)
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		b, err := os.ReadFile(name)
		require.NoError(t, err)
		if !strings.HasSuffix(name, ".go") {
			for _, m := range inPage.FindAllSubmatch(b, -1) {
				whole[string(m[1])] = name
				literals[string(m[1])] = true
			}
			continue
		}
		f, err := parser.ParseFile(token.NewFileSet(), name, b, parser.SkipObjectResolution)
		require.NoError(t, err)
		text := func(e ast.Expr) (string, bool) {
			l, ok := e.(*ast.BasicLit)
			if !ok || l.Kind != token.STRING {
				return "", false
			}
			s, err := strconv.Unquote(l.Value)
			return s, err == nil
		}
		ast.Inspect(f, func(n ast.Node) bool {
			if e, ok := n.(*ast.BasicLit); ok {
				if s, ok := text(e); ok {
					literals[s] = true
				}
			}
			call, ok := n.(*ast.CallExpr)
			if !ok || len(call.Args) == 0 {
				return true
			}
			if sel, ok := call.Fun.(*ast.SelectorExpr); ok && sel.Sel.Name == "T" {
				if s, ok := text(call.Args[0]); ok {
					whole[s] = name
				}
			}
			return true
		})
	}
	return whole, literals
}

// A page that asks for a text which does not exist would show its key in brackets; a text that no page
// asks for is dead.
func TestKeysAndTextsMatch(t *testing.T) {
	whole, literals := used(t)
	require.Greater(t, len(whole), 150)
	keys := locale.Keys()
	for k, file := range whole {
		require.Contains(t, keys, k, "%s asks for a text that is not in the catalogue", file)
	}
	for _, k := range keys {
		found := literals[k]
		// Words that are put together ("where." and "booked" and ".more") count by their first piece, up
		// to each of the dots.
		for i := 0; i < len(k) && !found; i++ {
			found = k[i] == '.' && (literals[k[:i+1]] || literals[k[:i]] && literals[k[i:]])
		}
		require.True(t, found, "nothing asks for %s", k)
	}
}

// The sentence on a finding claims no more than its certainty allows, and blames nobody.
func TestFindingSentences(t *testing.T) {
	w := locale.For("en")
	blame := regexp.MustCompile(`(?i)botch|blame|guilt|careless|sloppy|incompetent|bad work|poor|wrongly|mistake|cheap|amateur|last shop|previous shop|should have`)
	hedge := regexp.MustCompile(`(?i)as far as we can tell|probably|could|cannot say`)
	for _, o := range workflow.Origins {
		for _, weight := range workflow.Weights {
			for _, c := range workflow.Certainties {
				f := workflow.Finding{Origin: o, Weight: weight, Certainty: c, Reading: "0.4 Ω"}
				s := weightName(f, w) + ". " + findingSentence(f, w)
				require.NotRegexp(t, blame, s)
				require.NotContains(t, s, "[")
				require.Equal(t, c == workflow.CertaintyMeasured, strings.Contains(s, "0.4 Ω"), s)
				require.Equal(t, c == workflow.CertaintyInferred, strings.Contains(s, "neither seen nor measured"), s)
				if c == workflow.CertaintyInferred {
					conclusions := 2
					if weight == workflow.WeightNoted || weight == workflow.WeightOpen {
						conclusions = 1 // these conclude nothing
					}
					require.GreaterOrEqual(t, len(hedge.FindAllString(s, -1)), conclusions, "origin and weight are both conclusions: %s", s)
				}
			}
		}
	}
}

// Words that claim more than a way of knowing allows, by language. What is only concluded is not said to be
// seen, measured or sure; what was seen is not said to be measured or proved; and a measurement proves
// nothing beyond its value. In what is denied ("neither seen nor measured") the words may stand.
var tooStrong = map[workflow.Certainty]map[string]string{
	workflow.CertaintyMeasured: {
		"en": `\b(prove[sn]?|proof|certain(ly)?|definitely|undoubtedly|beyond doubt|guarantee)\b`,
		"fr": `\b(prouv\w*|preuve|certain(ement)?|sans (aucun )?doute|garanti\w*)\b`,
		"de": `\b(beweis\w*|bewiesen|sicher(lich)?|zweifellos|garantier\w*)\b`,
		"es": `\b(prueba|demuestra\w*|cierto|seguro|seguramente|sin duda|garantiz\w*)\b`,
	},
	workflow.CertaintySeen: {
		"en": `\b(measured|prove[sn]?|proof|certain(ly)?|definitely|undoubtedly)\b`,
		"fr": `\b(mesuré\w*|prouv\w*|preuve|certain(ement)?|sans (aucun )?doute)\b`,
		"de": `\b(gemessen|beweis\w*|bewiesen|sicher(lich)?|zweifellos)\b`,
		"es": `\b(medido|prueba|demuestra\w*|cierto|seguro|seguramente|sin duda)\b`,
	},
	workflow.CertaintyNoticed: {
		"en": `\b(seen|measured|it has the marks|came out|prove[sn]?|certain(ly)?|definitely|clearly)\b`,
		"fr": `\b(vu|mesuré|cela porte|on voit|tout indique|prouv\w*|certain(ement)?|clairement)\b`,
		"de": `\b(gesehen|gemessen|das sind spuren|so kam|hier wurde|beweis\w*|sicher(lich)?|eindeutig)\b`,
		"es": `\b(visto|medido|tiene las marcas|salió así|muestra que|demuestra\w*|seguro|claramente)\b`,
	},
	workflow.CertaintyInferred: {
		"en": `\b(we (have )?(seen|measured)|it is part|it has the marks|it did not cause|came out|can hurt|prove[sn]?|certain(ly)?|definitely|undoubtedly|clearly|obviously)\b`,
		"fr": `\b(nous l’avons (vu|mesuré)|c’est une part|cela porte|n’a pas causé|on voit|tout indique|cela peut|prouv\w*|certain(ement)?|clairement|évidemment)\b`,
		"de": `\b(wir haben es (selbst )?(gesehen|gemessen)|es ist ein teil|das sind spuren|so kam|es hat den fehler nicht|es kann|hier wurde|beweis\w*|sicher(lich)?|eindeutig|offensichtlich)\b`,
		"es": `\b(^lo hemos (visto|medido)|^es parte|tiene las marcas|salió así|no causó|puede hacer|muestra que|demuestra\w*|seguro|seguramente|claramente|evidentemente)\b`,
	},
}

// Every origin, weight and certainty has its sentence in every language, in that language's own words; none
// claims more than its certainty allows, and none blames anybody.
func TestFindingSentencesInEveryLanguage(t *testing.T) {
	blame := map[string]string{
		"en": `botch|blame|guilt|careless|sloppy|incompetent|wrongly|mistake|amateur|(last|previous) (shop|repairer)|should have`,
		"fr": `bâcl|bricol|négligen|coupable|incompéten|erreur|amateur|(dernier|précédent) (atelier|réparateur)|aurait dû`,
		"de": `pfusch|schlamp|schuld|fahrlässig|unfachm|laien|vorherige werkstatt|letzte werkstatt|hätte .* sollen|hätte .* müssen`,
		"es": `chapuz|descuid|culpa|negligen|incompeten|error|aficionad|taller anterior|debería haber`,
	}
	said := map[string]string{}
	for _, lang := range locale.Languages {
		w := locale.For(lang)
		require.Equal(t, lang, w.Lang)
		for _, o := range workflow.Origins {
			for _, weight := range workflow.Weights {
				require.True(t, w.Has("weight."+string(weight)))
				for _, c := range workflow.Certainties {
					for _, key := range []string{"weight." + string(weight) + ".inferred", "certainty." + string(c), "cause." + string(c)} {
						require.NotContains(t, locale.Missing(lang), key)
					}
					f := workflow.Finding{Origin: o, Weight: weight, Certainty: c, Reading: "0.4 Ω"}
					s := weightName(f, w) + ". " + findingSentence(f, w)
					require.NotContains(t, s, "[")
					require.NotRegexp(t, `(?i)`+blame[lang], s)
					for sentence := range strings.SplitSeq(s, ". ") {
						require.LessOrEqual(t, len(strings.Fields(sentence)), 25, sentence)
						for _, of := range tooStrong[c] {
							require.NotRegexp(t, `(?i)`+of, sentence, "%s, %s", lang, c)
						}
					}
					require.Equal(t, c == workflow.CertaintyMeasured, strings.Contains(s, "0.4 Ω"), s)
					key := string(o) + string(weight) + string(c)
					require.NotEqual(t, said[key], s, "%s speaks another language's words", lang)
					said[key] = s
				}
			}
		}
		for _, before := range []workflow.Stage{workflow.StageTesting, workflow.StageShipped} {
			require.NotContains(t, locale.Missing(lang), "duty.open."+string(before))
		}
		for _, stage := range workflow.Stages {
			require.NotContains(t, locale.Missing(lang), "stage."+string(stage))
		}
	}
	// The lists can say no.
	for c, want := range map[workflow.Certainty]string{workflow.CertaintyMeasured: "This proves it.", workflow.CertaintySeen: "We measured it.", workflow.CertaintyNoticed: "It has the marks of age.", workflow.CertaintyInferred: "It is part of the fault."} {
		require.Regexp(t, `(?i)`+tooStrong[c]["en"], want)
	}
	// The sentence for what is measured would be refused for what is inferred, in each language.
	for _, lang := range locale.Languages {
		s := findingSentence(workflow.Finding{Origin: workflow.OriginWear, Certainty: workflow.CertaintySeen}, locale.For(lang))
		require.Regexp(t, `(?i)`+tooStrong[workflow.CertaintyInferred][lang], s, lang)
	}
}

// customerViews are the views of the customer's pages.
func customerViews() []View {
	return []View{
		&Home{}, &BookForm{}, &Booked{}, &Find{}, &Packing{}, &Problem{}, &Track{}, &ReportPage{}, &QuotePage{}, &QuoteReview{}, &QuoteDone{}, &QuoteEnded{}, &ChoosePage{}, &Notices{}, &SharePage{}, &ConfirmPage{}, &DataPage{}, &Details{},
	}
}

func TestHostileTextsStayTexts(t *testing.T) {
	s, err := Load()
	require.NoError(t, err)
	viewtest.Check(t, s, "customer/", customerViews)
	require.Error(t, s.Render(&bytes.Buffer{}, noView{}))
}

type noView struct{}

func (noView) Template() string { return "customer/none.html" }

func TestAssets(t *testing.T) {
	for _, name := range []string{"base.css", "live.js", "book.js", "mark.svg", "robots.txt"} {
		body, contentType, etag, ok := Asset(name)
		require.True(t, ok, name)
		require.NotEmpty(t, body)
		require.NotEmpty(t, contentType)
		require.Contains(t, assetURL(name), "/assets/"+name+"?v="+strings.Trim(etag, `"`))
		require.NotContains(t, string(body), "//cdn", name)
		require.NotRegexp(t, `url\(\s*["']?(https?:)?//`, string(body), name)
	}
	_, _, _, ok := Asset("../templates.go")
	require.False(t, ok)
	require.Panics(t, func() { assetURL("none.css") })
}

func TestParagraphs(t *testing.T) {
	require.Nil(t, paragraphs(" \r\n\n"))
	require.Equal(t, [][]string{{"a", "b"}, {"c"}}, paragraphs("a\r\nb \n\n\n c\n"))
	require.Equal(t, []string{"a", "b", "c"}, Lines("a\nb\n\nc"))
}

func TestPhoneURL(t *testing.T) {
	require.EqualValues(t, "tel:+19025550100", ShopView{Phone: "+1 (902) 555-0100"}.PhoneURL())
	require.Empty(t, ShopView{Phone: "ask"}.PhoneURL())
	require.True(t, slices.Contains(locale.Keys(), "base.zone"))
}

// What a customer reads comes from their shop's catalogue, which may hold its own words.
func TestCustomersReadTheirShopsWords(t *testing.T) {
	for _, dir := range []string{".", "../portal", "../portal/*", "../notify", "../notify/*", "../cmd/benchword"} {
		files, err := filepath.Glob(filepath.Join(dir, "*.go"))
		require.NoError(t, err)
		for _, name := range files {
			b, err := os.ReadFile(name)
			require.NoError(t, err)
			require.NotRegexp(t, `locale\.For\([\w.]*Customer\.Language\)`, string(b), "%s: ask the shop's locale.Set", name)
		}
	}
}
