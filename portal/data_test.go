package portal

import (
	"archive/zip"
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"strings"
	"testing"

	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
)

// The file that a customer downloads opens anywhere: a page to read, the same for a program, and the photos; one
// that was taken off is not in it.
func TestWhatIsKeptAsAFile(t *testing.T) {
	d := newDesk(t)
	tokens := d.toEverything()
	owner := workflow.Actor{Role: workflow.RoleOwner, ID: "olga"}
	second := workflow.Copy{Digest: "second-copy", Width: 1600, Height: 1200}
	d.do(bench, workflow.AddPhoto{Photo: workflow.Photo{Original: "ab", Copies: workflow.Copies{Large: second, Small: second}, Kind: workflow.PhotoArrival}})
	d.do(bench, workflow.RemovePhoto{ID: 1, Reason: "Shows somebody else's label"})
	page := d.get("/data/" + tokens["data"])
	require.Equal(t, http.StatusOK, page.StatusCode)
	require.Contains(t, page.body, "/data/"+tokens["data"]+"/file.zip")
	require.Equal(t, "no-store", page.Header.Get("Cache-Control"))
	file := d.get("/data/" + tokens["data"] + "/file.zip")
	require.Equal(t, http.StatusOK, file.StatusCode)
	require.Equal(t, "no-store", file.Header.Get("Cache-Control"))
	require.Contains(t, file.Header.Get("Content-Disposition"), "attachment")
	z, err := zip.NewReader(strings.NewReader(file.body), int64(len(file.body)))
	require.NoError(t, err)
	held := map[string]string{}
	for _, f := range z.File {
		r, err := f.Open()
		require.NoError(t, err)
		b, err := io.ReadAll(r)
		require.NoError(t, err)
		held[f.Name] = string(b)
	}
	var data workflow.Data
	require.NoError(t, json.NewDecoder(bytes.NewReader([]byte(held["data.json"]))).Decode(&data))
	require.Equal(t, "Mira Osei", data.Customer.Name)
	require.NotEmpty(t, data.Photos)
	require.NotContains(t, data.Photos, 1)
	for _, name := range data.Photos {
		require.NotEmpty(t, held[name], name)
		require.Contains(t, held["index.html"], `"`+name+`"`)
	}
	require.Len(t, held, 3+len(data.Photos))
	for _, text := range []string{"Mira Osei", "mira@post.example", "Please post it to my new address."} {
		require.Contains(t, held["index.html"], text)
		require.Contains(t, held["data.json"], text)
	}
	require.NotContains(t, held["index.html"], "<script")

	d.now = d.now.AddDate(0, 0, 8)
	require.Equal(t, http.StatusGone, d.get("/data/"+tokens["data"]+"/file.zip").StatusCode)
	d.do(owner, workflow.SendData{})
	again := d.token(link.Data)
	require.Equal(t, http.StatusOK, d.get("/data/"+again).StatusCode)
	d.do(staff, workflow.RevokeLinks{})
	require.Equal(t, http.StatusGone, d.get("/data/"+again).StatusCode)
}
