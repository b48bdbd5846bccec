package portal

// healthRoutes are for those who watch over the process.
func (s *Server) healthRoutes() {
	s.app.Get("/healthz", s.health)
	s.app.Get("/readyz", s.ready)
	s.app.Get("/livez", alive)
}

// routes is the table of the customer's pages. A GET never changes anything; what changes something is
// a POST, and what can be guessed is limited. What is dear has a budget: TestEveryRouteHasItsBudget says which.
func (s *Server) routes() {
	a := s.app
	a.Get("/assets/*", s.asset)
	a.Get("/look/logo", s.logo)
	a.Get("/look/style.css", s.style)
	a.Get("/robots.txt", s.robots)
	a.Get("/push-worker.js", s.pushWorker)

	a.Get("/", s.showHome)
	a.Get("/packing", s.showPacking)
	a.Get("/book", s.showBook)
	a.Post("/book", s.Ask(true), s.postBook)
	a.Get("/find", s.showFind)
	a.Post("/find", s.Ask(true), s.postFind)

	a.Get("/j/:token", s.sendKept) // goes on to showTrack where the page has to be rendered
	unknown := s.askLinks()
	j := a.Group("/j/:token", unknown)
	j.Get("/", s.rendered, s.showTrack)
	j.Get("/booked", s.rendered, s.showBooked)
	j.Get("/live", s.showLive)
	j.Get("/feed", s.rendered, s.showFeed)
	j.Get("/report/:n.pdf", s.showReportPaper)
	j.Get("/report/:n", s.rendered, s.showReport)
	j.Get("/photo/:id/:size.jpg", s.showPhoto)
	j.Get("/date.ics", s.rendered, s.showDate)
	j.Post("/message", s.Ask(true), s.postMessage)
	j.Get("/notices", s.rendered, s.showNotices)
	j.Post("/notices", s.rendered, s.postNotices)
	j.Post("/push", s.Ask(true), s.postPush)
	j.Get("/details", s.rendered, s.showDetails)
	j.Post("/details", s.Ask(true), s.postDetails)
	j.Get("/share", s.rendered, s.showShare)
	j.Post("/share", s.Ask(true), s.postShare)
	j.Post("/arrival", s.Ask(true), s.postArrival)
	j.Post("/ask", s.Ask(true), s.postAsk)

	d := a.Group("/d/:token", unknown)
	d.Get("/", s.rendered, s.showQuote)
	d.Post("/review", s.Ask(true), s.postReview)
	d.Post("/", s.Ask(true), s.postDecision)
	d.Get("/done", s.rendered, s.showDone)
	d.Get("/:form.pdf", s.showQuotePaper)
	d.Post("/undo", s.Ask(true), s.postUndo)

	cf := a.Group("/confirm/:token", unknown)
	cf.Get("/", s.rendered, s.showConfirm)
	cf.Post("/", s.Ask(true), s.postConfirm)

	da := a.Group("/data/:token", unknown)
	da.Get("/", s.rendered, s.showData)
	da.Get("/file.zip", s.Ask(true), s.sendData)

	ch := a.Group("/c/:token", unknown)
	ch.Get("/", s.rendered, s.showChoice)
	ch.Post("/", s.Ask(true), s.postChoice)
}
