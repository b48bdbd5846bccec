// Package hevc decodes still pictures coded as ITU-T H.265 (HEVC), which is what a phone's HEIC photos are
// made of: pictures that refer to no other, of the Main, Main 10 and Main Still Picture profiles, and of
// the format range extensions' chroma formats (4:0:0 to 4:4:4) without their tools.
//
// The input is an hvcC box's content (ISO/IEC 14496-15), read by [Parse], and the data that go with it: slices,
// each behind its length. It is not trusted: sizes are known before anything is allocated
// ([Config.Memory]), whatever the bits say ends after one pass over the picture, and what does not fit the
// standard, or uses a tool that is not supported, is an error.
//
// The code follows the standard's text (edition 08/2021), whose clauses the comments name, and is checked against
// other decoders' output in the tests, which are beside the container's, in package evidence.
//
// # Decisions
//
//   - 2026-11-25: Our own code, against the rule that a well-kept library beats ours. The pure-Go choice,
//     gen2brain/heic v0.4.5, overwrote the first samples of each plane and gave colours up to 200 steps away
//     from libheif's; for photos that are evidence that rules it out, and the static binary rules out cgo.
//     Ours is held to libheif's output. Rejected too: refusing HEIC, which is what half of all phones send.
//     To be looked at next: gen2brain/h265, which says that it is byte-exact on the conformance suite.
package hevc
