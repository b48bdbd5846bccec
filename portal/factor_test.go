package portal

import (
	"encoding/csv"
	"os"
	"strconv"
	"testing"
	"time"

	"github.com/pquerna/otp"
	"github.com/pquerna/otp/hotp"
	"github.com/pquerna/otp/totp"
	"github.com/stretchr/testify/require"
)

// The test values of RFC 4226 (appendix D) and RFC 6238 (appendix B).
func TestPublishedCodes(t *testing.T) {
	f, err := os.Open("../testdata/published/otp_vectors.csv")
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	algorithms := map[string]otp.Algorithm{"SHA1": otp.AlgorithmSHA1, "SHA256": otp.AlgorithmSHA256, "SHA512": otp.AlgorithmSHA512}
	ours := 0
	for _, x := range rows[1:] {
		kind, secret, want := x[0], x[3], x[7]
		counter, err := strconv.ParseUint(x[4], 10, 64)
		require.NoError(t, err)
		digits, err := strconv.Atoi(x[6])
		require.NoError(t, err)
		got, err := hotp.GenerateCodeCustom(secret, counter, hotp.ValidateOpts{Digits: otp.Digits(digits), Algorithm: algorithms[x[2]]})
		require.NoError(t, err)
		require.Equal(t, want, got, x)
		if kind != "TOTP" {
			continue
		}
		at, err := strconv.ParseInt(x[5], 10, 64)
		require.NoError(t, err)
		got, err = totp.GenerateCodeCustom(secret, time.Unix(at, 0), totp.ValidateOpts{Digits: otp.Digits(digits), Algorithm: algorithms[x[2]]})
		require.NoError(t, err)
		require.Equal(t, want, got, x)
		if digits != 6 || x[2] != "SHA1" {
			continue
		}
		ours++
		step := int64(counter)
		for off, taken := range map[int64]bool{-2: false, -1: true, 0: true, 1: true, 2: false} {
			found := appCode(secret, " "+want[:3]+" "+want[3:], time.Unix((step+off)*30, 0))
			require.Equal(t, taken, found == step && step != 0, "%v, %d half minutes off", x, off)
		}
		require.Zero(t, appCode(secret, want[:5], time.Unix(at, 0)))
		require.Zero(t, appCode(secret, "", time.Unix(at, 0)))
	}
	require.Len(t, rows, 35)
	require.GreaterOrEqual(t, ours, 6)
}
