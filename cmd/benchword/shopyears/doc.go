// Package shopyears plays months of a shop from one seed, and holds all that its customers and its bench read to
// each other, to what people did and were told, and to what must be true in any shop. It is all tests; this file
// says how they are made.
//
// A shop (shop_test.go) is the real service, portal, counter, interface and dispatchers in one process, on a store,
// a mail server that forgets and a clock that only the play moves. Its people (people_test.go, bench_test.go) are
// habits: what a customer or somebody at the bench does when it makes sense. A habit acts through the pages, the
// links in emails and the interface, as people do.
//
// What is true is not asked of the domain. A job's book (book_test.go) is made from what its people did, and what
// the words they were shown meant: asked, answered, owed, paid, promised. With each step the surfaces
// (surfaces_test.go) are read as they are rendered, by the catalogue's words in the customer's language, and the
// truths (truths_test.go) hold them to the book and to each other.
//
// A play is a list of steps, each with its own chance, so that it can be played again with steps left out: that is
// how a contradiction is shown by its shortest history (years_test.go). To add a habit, write a row in people or
// staff; to add a truth, a row in truths; what a run must have met is a row in sometimes.
package shopyears
