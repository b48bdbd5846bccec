module benchword

go 1.26.0

toolchain go1.26.11

require (
	github.com/BurntSushi/toml v1.6.0 // reads shop.toml and names the line of a mistake
	github.com/SherClockHolmes/webpush-go v1.4.0 // seals a push independently of us (tests only: it takes neither a key nor a clock, so it can't be held to RFC 8291's example)
	github.com/andybalholm/brotli v1.3.0 // unpacks our pages with an independent implementation (tests only)
	github.com/anishathalye/porcupine v1.3.1 // checks that what everybody was told fits one order (tests only)
	github.com/arran4/golang-ical v0.3.4 // writes the customer's calendar file: folding and escaping by RFC 5545
	github.com/bojanz/currency v1.4.2 // CLDR money formats of every currency
	github.com/boombuler/barcode v1.1.0 // QR codes for phones; comes with pquerna/otp (MIT)
	github.com/carlos7ags/folio v0.11.0 // PDF: layout, tags, embedded fonts, PDF/A, in pure Go; go-pdf/fpdf, signintech/gopdf and gofpdf write no tags, pdfcpu lays out no pages
	github.com/chromedp/cdproto v0.159.0 // the browser's protocol, to emulate media (tests only)
	github.com/chromedp/chromedp v0.23.0 // drives a real browser (tests only)
	github.com/emersion/go-ical v0.0.0-20250329121855-f41e73efc392 // reads our calendar files with an independent implementation (tests only)
	github.com/emersion/go-imap/v2 v2.0.0-beta.8 // reads the mailbox that bounces and replies come into
	github.com/emersion/go-message v0.18.2 // parses received email: bounces, replies, the demo's mailbox
	github.com/emersion/go-msgauth v0.7.0 // verifies our DKIM signatures with an independent implementation (tests only)
	github.com/emersion/go-sasl v0.0.0-20241020182733-b788ff22d5a6 // signs in to go-smtp's server (tests only)
	github.com/emersion/go-smtp v0.25.1 // an independent mail server to send to (tests only)
	github.com/getkin/kin-openapi v0.153.0 // holds every request and answer to our OpenAPI document (tests only)
	github.com/go-playground/locales v0.14.2 // the oracle for money and date formats (tests only)
	github.com/go-playground/validator/v10 v10.30.6 // checks the settings file by tags
	github.com/go-webauthn/webauthn v0.18.2 // passkeys by the W3C's rules: parsing, signatures, counters (BSD-3)
	github.com/gofiber/fiber/v2 v2.52.15 // the web server: routing, static speed, event streams
	github.com/golang-jwt/jwt/v5 v5.3.1 // reads our VAPID tokens with an independent implementation (tests only, of ours: go-webauthn brings it along)
	github.com/gowebpki/jcs v1.0.2 // canonical JSON (RFC 8785), over which events and quotes are hashed
	github.com/hibiken/asynq v0.26.0 // the yardstick for the outbox in Redis (tests only)
	github.com/invopop/jsonschema v0.14.0 // JSON Schemas of the domain's types for the OpenAPI document
	github.com/minio/minio-go/v7 v7.4.1 // the S3 protocol, for photos in a bucket that several servers share
	github.com/mmcdole/gofeed v1.4.2 // reads our Atom feed with an independent implementation (tests only)
	github.com/pquerna/otp v1.5.0 // codes of authenticator apps by RFC 6238 (Apache-2.0)
	github.com/prometheus/client_golang v1.25.0 // figures about email in the form that monitoring reads
	github.com/redis/go-redis/v9 v9.22.0 // the Redis client: Sentinel, Cluster, pipelines, functions
	github.com/rickar/cal/v2 v2.1.13 // the yardstick for the promise clock (tests only)
	github.com/riverqueue/river v0.51.2 // the yardstick for the outbox in SQLite (tests only)
	github.com/riverqueue/river/riverdriver/riversqlite v0.51.2 // River's side towards SQLite (tests only)
	github.com/standard-webhooks/standard-webhooks/libraries v0.0.1 // verifies our webhooks with the specification's own library (tests only)
	github.com/stretchr/testify v1.12.1 // "require" in tests, and nothing else of it
	github.com/trustelem/zxcvbn v1.0.1 // says how soon a password is guessed, and knows the 47,000 commonest (MIT)
	github.com/valyala/fasthttp v1.78.0 // under fiber: Brotli and gzip, as it does them itself
	github.com/wneessen/go-mail v0.8.1 // builds MIME and speaks SMTP
	go.yaml.in/yaml/v3 v3.0.5 // reads the Compose example, to hold it to what there is (tests only)
	golang.org/x/crypto v0.59.0 // argon2id for passwords
	golang.org/x/image v0.47.0 // decodes WebP; draws marks and their numbers without jagged edges
	golang.org/x/net v0.62.0 // IDNA for addresses and hosts; the text of HTML email that comes in
	golang.org/x/term v0.48.0 // asks for a password without showing it
	golang.org/x/text v0.44.0 // plural rules, numbers and language tags by CLDR
	golang.org/x/tools v0.52.0 // txtar, the format of the stories (tests only)
	modernc.org/sqlite v1.62.0 // SQLite in pure Go, so that the binary is static; within a quarter of the cgo drivers in grouped commits
	pgregory.net/rapid v1.3.0 // property tests (tests only)
)

require (
	github.com/bahlo/generic-list-go v0.2.0 // indirect
	github.com/beorn7/perks v1.0.1 // indirect
	github.com/buger/jsonparser v1.6.1 // indirect
	github.com/cespare/xxhash/v2 v2.3.0 // indirect
	github.com/clipperhouse/uax29/v2 v2.7.0 // indirect
	github.com/cockroachdb/apd/v3 v3.2.1 // indirect
	github.com/dlclark/regexp2 v1.11.0 // indirect
	github.com/dustin/go-humanize v1.1.0 // indirect
	github.com/fxamacker/cbor/v2 v2.9.4 // indirect
	github.com/gabriel-vasile/mimetype v1.4.16 // indirect
	github.com/go-json-experiment/json v0.0.0-20260213210345-44df1a37e875 // indirect
	github.com/go-openapi/jsonpointer v0.22.5 // indirect
	github.com/go-openapi/swag/jsonname v0.25.5 // indirect
	github.com/go-playground/universal-translator v0.18.2 // indirect
	github.com/go-viper/mapstructure/v2 v2.5.0 // indirect
	github.com/go-webauthn/x v0.3.1 // indirect
	github.com/google/go-tpm v0.9.8 // indirect
	github.com/google/uuid v1.6.0 // indirect
	github.com/klauspost/compress v1.20.3 // indirect
	github.com/klauspost/cpuid/v2 v2.4.0 // indirect
	github.com/klauspost/crc32 v1.3.0 // indirect
	github.com/kylelemons/godebug v1.1.0 // indirect
	github.com/leodido/go-urn v1.5.0 // indirect
	github.com/mattn/go-colorable v0.1.15 // indirect
	github.com/mattn/go-isatty v0.0.24 // indirect
	github.com/mattn/go-runewidth v0.0.24 // indirect
	github.com/minio/crc64nvme v1.1.1 // indirect
	github.com/minio/md5-simd v1.1.2 // indirect
	github.com/mmcdole/goxpp/v2 v2.0.0 // indirect
	github.com/molecule-man/go-brrr v1.3.1 // indirect
	github.com/munnerz/goautoneg v0.0.0-20191010083416-a7dc8b61c822 // indirect
	github.com/ncruces/go-strftime v1.1.0 // indirect
	github.com/pb33f/ordered-map/v2 v2.3.1 // indirect
	github.com/philhofer/fwd v1.2.0 // indirect
	github.com/prometheus/client_model v0.6.3 // indirect
	github.com/prometheus/common v0.72.0 // indirect
	github.com/prometheus/procfs v0.22.0 // indirect
	github.com/remyoudompheng/bigfft v0.0.0-20230129092748-24d4a6f8daec // indirect
	github.com/riverqueue/river/riverdriver v0.51.2 // indirect
	github.com/riverqueue/river/rivershared v0.51.2 // indirect
	github.com/riverqueue/river/rivertype v0.51.2 // indirect
	github.com/robfig/cron/v3 v3.0.1 // indirect
	github.com/rs/xid v1.6.0 // indirect
	github.com/santhosh-tekuri/jsonschema/v6 v6.0.3 // indirect
	github.com/spf13/cast v1.10.0 // indirect
	github.com/teambition/rrule-go v1.8.2 // indirect
	github.com/test-go/testify v1.1.4 // indirect
	github.com/tidwall/gjson v1.20.0 // indirect
	github.com/tidwall/match v1.2.0 // indirect
	github.com/tidwall/pretty v1.2.1 // indirect
	github.com/tidwall/sjson v1.2.5 // indirect
	github.com/tinylib/msgp v1.6.4 // indirect
	github.com/valyala/bytebufferpool v1.0.0 // indirect
	github.com/x448/float16 v0.8.4 // indirect
	github.com/zeebo/xxh3 v1.1.0 // indirect
	go.uber.org/atomic v1.12.0 // indirect
	go.yaml.in/yaml/v4 v4.0.0 // indirect
	golang.org/x/sync v0.25.0 // indirect
	golang.org/x/sys v0.50.0 // indirect
	golang.org/x/time v0.14.0 // indirect
	google.golang.org/protobuf v1.36.12 // indirect
	gopkg.in/ini.v1 v1.67.3 // indirect
	modernc.org/libc v1.80.1 // indirect
	modernc.org/mathutil v1.7.1 // indirect
	modernc.org/memory v1.12.1 // indirect
)
