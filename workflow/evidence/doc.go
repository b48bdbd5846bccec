// Package evidence takes in photos and shows them safely.
//
// A [Desk] turns a file that somebody sent into blobs: the original, kept as it came and private,
// and copies that people may see, 1600, 960 and 480 pixels on the long side. What the package promises:
//
//   - The file decides what it is. Its name and its claimed content type are never looked at; JPEG, PNG,
//     WebP and HEIC are told apart by their first bytes ([Inspect]).
//   - Size comes before work. Bytes are counted while reading, pixels are read from the header, and the
//     memory that decoding will take is reckoned from them, before anything is allocated. However many
//     uploads arrive together, [Limits.Memory] holds for all of them; the others wait their turn.
//   - A copy holds pixels only: upright, in sRGB, without EXIF, GPS, XMP, ICC, comments or thumbnails.
//     The same file gives the same copies, byte for byte, on every machine.
//   - A damaged, cut-off or unreadable picture is refused with one plain sentence, a [workflow.Error]
//     with CodeInvalid; nothing is kept of it, and nothing panics.
//   - A blurred area is gone from the copies, not covered. Whoever adds or takes away a blur mark asks
//     for new copies ([Desk.Remake]) and discards the old ones ([Desk.Discard]).
//   - Blobs are named by their SHA-256 within a job's folder, so a write repeated is a write done once,
//     one job's erasure touches no other's, and a file that rots on the disk is noticed when it is read.
//
// A server gives its desk [Workers]: pictures are then decoded in processes of their own, which a picture can
// end, and the server goes on.
//
// Marks are drawn into the copies that are shown: [Burn].
//
// HEIC is decoded in Go too, by package hevc, a tile at a time: a phone's 48 megapixels take little more memory
// than its 12. AVIF, animations and films are not taken.
package evidence
