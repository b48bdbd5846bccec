package main

import (
	"encoding/csv"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// asvs says of each row of OWASP ASVS 5.0.0 that touches this program which tests hold it, or what was
// decided instead, with the date. A test that is renamed or goes must be followed here.
//
// # Decisions
//
//   - 2026-11-25: Each row of ASVS 5.0 that touches us is listed with its tests or its decision.
var asvs = map[string]struct {
	tests    string // names, with spaces between
	decision string // dated; why it does not apply, or is not followed
}{
	"V1.2.1":  {tests: "TestHostileTextsStayTexts TestHostileWordsInMails TestAttacks"},
	"V1.2.10": {tests: "TestCSVHoldsNoFormulas"},
	"V1.3.6":  {tests: "TestOnlyPublicAddresses TestSubscribing TestHookAnswers"},
	"V1.3.4":  {decision: "2026-11-25: SVG is not taken in; the photo desk reads JPEG, PNG, WebP and HEIC by their first bytes and re-encodes them."},
	"V2.2.1":  {tests: "TestWrongSettingsAreNamed TestPriceRefuses TestEmptyAndHostileForms"},
	"V2.2.2":  {tests: "TestEmptyAndHostileForms TestBadBodies"},
	"V2.3.1":  {tests: "TestRandomWays TestEveryRefusalSaysWhatIsMissing TestDeciding"},
	"V2.3.2":  {tests: "TestTheChargeNeverExceedsWhatWasAgreed TestADepositComesBeforeTheWork"},
	"V2.3.3":  {tests: "refusedLeavesNothing TestKilledAtAnyMoment"},
	"V2.3.4":  {tests: "deciding manyWriters TestADecisionCountsOnce"},
	"V2.4.1":  {tests: "TestAsk TestAskAtOnce TestTryingLinks TestSharedPortalsCountTriesTogether TestGuessingFromManyAddresses TestForgedForwardingLines TestBehindHAProxy"},
	"V2.4.2":  {decision: "2026-11-25: not followed (level 3). A decision takes three deliberate steps and can be taken back; a person who is quick is no attack."},
	"V3.2.1":  {tests: "TestHeadersOnEveryAnswer"},
	"V3.3.1":  {tests: "TestSignIn"},
	"V3.3.2":  {tests: "TestSignIn"},
	"V3.4.1":  {tests: "TestHeadersOnEveryAnswer"},
	"V3.4.3":  {tests: "TestHeadersOnEveryAnswer"},
	"V3.4.4":  {tests: "TestHeadersOnEveryAnswer"},
	"V3.4.5":  {tests: "TestHeadersOnEveryAnswer"},
	"V3.4.6":  {tests: "TestHeadersOnEveryAnswer"},
	"V3.5.1":  {tests: "TestWhereFormsComeFrom TestForeignFormsAreRefused TestFormsNeedTheirSession"},
	"V3.5.3":  {tests: "TestGetsChangeNothing TestAScannerChangesNothing TestScannerInABrowser"},
	"V4.1.1":  {tests: "TestHeadersOnEveryAnswer TestDocument"},
	"V5.1.1":  {decision: "2026-11-25: README and the package comment of workflow/evidence name the kinds, the sizes and what becomes of a photo."},
	"V5.2.1":  {tests: "TestTooManyBytes TestLargeForms TestTooLargeForTheMemory"},
	"V5.2.2":  {tests: "TestSniff TestAPictureThatIsNone"},
	"V5.2.3":  {decision: "2026-11-25: no packed files are taken in; a compressed request body is refused (TestBadBodies)."},
	"V5.2.4":  {decision: "2026-11-25: signed-in staff send photos, at most 500 a job and 100 MB a form; a customer's answer by mail brings a few, within the limits of a letter (TestReplies)."},
	"V5.2.5":  {decision: "2026-11-25: no packed files are taken in."},
	"V5.2.6":  {tests: "TestBombs"},
	"V5.3.1":  {tests: "TestDirStaysInside TestPrivate"},
	"V5.3.2":  {tests: "TestDirPaths TestDirStaysInside"},
	"V5.3.3":  {decision: "2026-11-25: no packed files are taken in."},
	"V5.4.1":  {decision: "2026-11-25: the name that a file came with is dropped; what is sent out has names made here."},
	"V5.4.2":  {tests: "TestNewJob TestBuildHoldsHostileWords"},
	"V5.4.3":  {decision: "2026-11-25: no scanner. What staff or a customer's mail bring is decoded and encoded anew, and originals are never served to customers."},
	"V6.1.1":  {decision: "2026-11-30: package portal says it beside the code, in tries.go."},
	"V6.1.2":  {tests: "TestGuessablePasswords"},
	"V6.2.1":  {tests: "TestStaffAccounts"},
	"V6.2.2":  {tests: "TestOwnAccount"},
	"V6.2.3":  {tests: "TestOwnAccount"},
	"V6.2.4":  {tests: "TestGuessablePasswords"},
	"V6.2.5":  {tests: "TestGuessablePasswords"},
	"V6.2.6":  {tests: "TestAccountPagesInABrowser TestPasswordIsNotShown"},
	"V6.2.7":  {decision: "2026-11-30: the fields say to browsers and password managers what they hold, and no script touches them."},
	"V6.2.8":  {tests: "TestPasswords"},
	"V6.2.9":  {tests: "TestGuessablePasswords"},
	"V6.2.10": {decision: "2026-11-30: passwords do not expire."},
	"V6.2.11": {tests: "TestGuessablePasswords"},
	"V6.2.12": {tests: "TestGuessablePasswords", decision: "2026-11-30: the estimator's 47,000 are from leaked sets; no service outside is asked."},
	"V6.3.2":  {decision: "2026-11-30: a shop begins without accounts; only the demo, which is no shop, has some."},
	"V6.4.1":  {tests: "TestStaffPage"},
	"V6.4.2":  {decision: "2026-11-30: there are none."},
	"V6.4.6":  {tests: "TestStaffPage"},
	"V7.1.1":  {decision: "2026-11-30: twelve hours are a long day at the bench, seven days a week of them; portal/session.go."},
	"V7.1.2":  {decision: "2026-11-30: any number of sessions; people see and end them."},
	"V7.4.2":  {tests: "TestStaffPage"},
	"V7.4.3":  {tests: "TestOwnAccount"},
	"V7.4.4":  {decision: "2026-11-30: the button stands at the foot of every page (base.html)."},
	"V7.4.5":  {tests: "TestOwnAccount"},
	"V7.5.2":  {tests: "TestOwnAccount"},
	"V6.3.3":  {tests: "TestOwnersHaveASecondFactor TestSecondFactor", decision: "2026-11-30: demanded of owners; second_factor = \"everybody\" demands it of all. A bench account reads no customer's address and moves no money."},
	"V6.3.4":  {decision: "2026-11-30: the ways in are password, password with a second factor, passkey, and a link to choose a password; portal/factor.go."},
	"V6.4.3":  {tests: "TestSecondFactor", decision: "2026-11-30: a link to choose a password opens nothing by itself."},
	"V6.4.4":  {decision: "2026-11-30: who has lost a factor asks the owner in person, who makes them start anew; the only owner uses the server's command line."},
	"V6.5.1":  {tests: "TestSecondFactor TestADecisionCountsOnce"},
	"V6.5.2":  {decision: "2026-11-30: recovery codes have 120 random bits, so a plain digest is enough."},
	"V6.5.3":  {decision: "2026-11-30: secrets and codes come from crypto/rand."},
	"V6.5.4":  {tests: "TestSecondFactor"},
	"V6.5.5":  {tests: "TestPublishedCodes", decision: "2026-11-30: not followed: a code lives 90 seconds, see appCode in portal/factor.go."},
	"V6.5.6":  {tests: "TestSecondFactor"},
	"V6.6.1":  {decision: "2026-11-30: no codes go by telephone."},
	"V6.3.1":  {tests: "TestSignInIsLimited TestSignInTellsNothing TestTriesAtAName TestSignInUnderAFlood TestKnownBrowsers"},
	"V6.6.2":  {tests: "TestALookLinkDecidesNothing TestQuotesThatEndedTellTheTruth"},
	"V6.6.3":  {tests: "TestTryingLinks TestGuessingFromManyAddresses"},
	"V6.6.4":  {decision: "2026-11-27: nobody signs in by push notifications; those that tell of a job hold nothing to sign in with."},
	"V7.2.1":  {tests: "TestSessions"},
	"V7.2.2":  {tests: "TestSessions TestTokens"},
	"V7.2.3":  {tests: "TestSessions"},
	"V7.2.4":  {tests: "TestSignIn"},
	"V7.3.1":  {tests: "TestSessions"},
	"V7.3.2":  {tests: "TestSessions"},
	"V7.4.1":  {tests: "TestSessions TestOwnAccount"},
	"V7.5.1":  {tests: "TestOwnAccount"},
	"V8.2.1":  {tests: "TestALookLinkDecidesNothing TestEveryPageInEveryStage TestAttacks"},
	"V8.2.2":  {tests: "TestALookLinkDecidesNothing isolation"},
	"V8.3.1":  {tests: "TestEmptyAndHostileForms TestEveryAction"},
	"V11.4.2": {tests: "TestPasswords TestPublishedPasswordHashes"},
	"V11.5.1": {tests: "TestTokensAreSpreadEvenly TestTokenAgainstRFC2104 TestBuildBoundaryCannotBeGuessed"},
	"V12.1.1": {tests: "TestSMTPEncryption", decision: "2026-11-25: towards browsers TLS is the reverse proxy's (README, Deploy)."},
	"V14.2.1": {decision: "2026-11-25: not followed for links (package workflow/link): they are the customer's only key; hashed in the store (TestNothingShowsATokenByAccident), no referrer, never cached by others, never logged (TestAttacks)."},
	"V14.2.8": {tests: "TestMetadataIsGone TestNoCopyKeepsMetadata", decision: "2026-11-25: originals keep their metadata, as evidence, and are never served to customers."},
	"V14.3.1": {decision: "2026-11-25: pages of staff are not stored (V14.3.2), so there is nothing to clear; the counter keeps no data in the browser."},
	"V14.3.2": {tests: "TestGetsChangeNothing TestEveryPageInEveryStage"},
	"V15.2.2": {tests: "TestMemoryIsBounded TestAThousandLivePages TestGate TestAPictureThatTakesTooMuch TestMutatedPictures TestPicturesHaveABudget"},
	"V15.4.1": {tests: "TestHubAtOnce TestAskAtOnce TestAtOnce"},
	"V15.4.2": {tests: "deciding staleVersion TestDirStaysInside"},
	"V16.2.5": {tests: "TestNothingShowsATokenByAccident TestAttacks"},
	"V16.3.1": {tests: "TestSignIn"},
	"V16.4.1": {decision: "2026-11-25: log/slog quotes every value (text) or encodes it (JSON); TestAttacks sends line ends."},
	"V16.4.2": {decision: "2026-11-25: the log goes to standard error; keeping it is the service manager's."},
	"V16.5.1": {tests: "TestStoreThatFails TestAttacks"},
}

func TestRowsOfASVS(t *testing.T) {
	f, err := os.Open("../../testdata/published/asvs5_rows.csv")
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	listed := map[string]bool{}
	for _, row := range rows[1:] {
		listed[row[0]] = true
		x, ok := asvs[row[0]]
		require.True(t, ok, "nothing is said about %s", row[0])
		require.True(t, x.tests != "" || x.decision != "", row[0])
		if x.decision != "" {
			require.Regexp(t, `^2026-\d\d-\d\d: `, x.decision, row[0])
		}
	}
	for id := range asvs {
		require.True(t, listed[id], "%s is not among the rows", id)
	}
	have := map[string]bool{}
	declared := regexp.MustCompile(`(?m)^func (\w+)\(\w+ \*?(?:testing\.T|test)\)`)
	require.NoError(t, filepath.WalkDir("../..", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || !strings.HasSuffix(path, "_test.go") && !strings.Contains(path, "storetest") {
			return err
		}
		b, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		for _, m := range declared.FindAllSubmatch(b, -1) {
			have[string(m[1])] = true
		}
		return nil
	}))
	for id, x := range asvs {
		for name := range strings.FieldsSeq(x.tests) {
			require.True(t, have[name], "%s names %s, which there is not", id, name)
		}
	}
}
