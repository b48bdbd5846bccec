package inbox

import "strings"

// Proof is what an email's sender address is worth.
type Proof string

const (
	// NotLooked: the shop names no server that looks at senders.
	NotLooked Proof = ""
	// Proven: the server that the shop names found that the email comes from its sender's domain.
	Proven Proof = "proven"
	// NotProven: it found otherwise, or said nothing.
	NotProven Proof = "not proven"
)

// Proof returns what the server of that name (its authserv-id, RFC 8601) says of the sender. Only its topmost
// line counts: each server writes above what has come, so those below may be the sender's own. DMARC decides;
// where it says nothing, a signature of the sender's own domain does.
func (l *Letter) Proof(by string) Proof {
	if by == "" {
		return NotLooked
	}
	_, domain, ok := strings.Cut(l.From, "@")
	if !ok || !l.oneSender {
		return NotProven
	}
	for _, line := range l.Stamps {
		id, results := readResults(line)
		if !strings.EqualFold(id, by) {
			continue
		}
		signed := NotProven
		for _, r := range results {
			switch r.method {
			case "dmarc":
				switch r.value {
				case "pass":
					return Proven
				case "none", "temperror":
				default:
					return NotProven
				}
			case "dkim":
				if d := strings.ToLower(r.of["header.d"]); r.value == "pass" && d != "" && (d == domain || strings.HasSuffix(domain, "."+d)) {
					signed = Proven
				}
			}
		}
		return signed
	}
	return NotProven
}

// result is one finding of Authentication-Results: method, value, and what it is about ("header.d" …).
type result struct {
	method, value string
	of            map[string]string
}

// readResults reads the value of Authentication-Results (RFC 8601, section 2.2). Comments say nothing, and a
// quoted text is one word whatever it holds: a sender may have chosen it.
func readResults(line string) (id string, results []result) {
	for n, words := range statements(line) {
		if n == 0 {
			if len(words) > 0 {
				id = words[0] // a version may follow
			}
			continue
		}
		r := result{of: map[string]string{}}
		name := ""
		for i := 0; i < len(words); i++ {
			switch {
			case words[i] != "=":
				name += words[i]
				continue
			case i+1 < len(words):
				i++
				if name, _, _ = strings.Cut(strings.ToLower(name), "/"); r.method == "" {
					r.method, r.value = name, strings.ToLower(words[i])
				} else {
					r.of[name] = words[i]
				}
			}
			name = ""
		}
		if r.method != "" {
			results = append(results, r)
		}
	}
	return id, results
}

// statements parts a header's value at its semicolons into words; "=" outside of quotes is one by itself.
func statements(s string) [][]string {
	out := [][]string{nil}
	var word strings.Builder
	begun := false
	end := func() {
		if begun {
			out[len(out)-1] = append(out[len(out)-1], word.String())
		}
		word.Reset()
		begun = false
	}
	depth, quoted := 0, false
	for i := 0; i < len(s); i++ {
		c := s[i]
		switch {
		case c == '\\' && (quoted || depth > 0):
			if i++; i < len(s) && quoted {
				word.WriteByte(s[i])
			}
		case quoted && c == '"':
			quoted = false
		case quoted:
			word.WriteByte(c)
		case c == '(':
			end()
			depth++
		case depth > 0:
			if c == ')' {
				depth--
			}
		case c == '"':
			quoted, begun = true, true
		case c == ';':
			end()
			out = append(out, nil)
		case c == '=':
			end()
			out[len(out)-1] = append(out[len(out)-1], "=")
		case c == ' ' || c == '\t' || c == '\r' || c == '\n':
			end()
		default:
			word.WriteByte(c)
			begun = true
		}
	}
	end()
	return out
}
