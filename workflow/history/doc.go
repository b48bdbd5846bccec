// Package history reads what a shop's own jobs were: the figures of a stretch of time, and the forecast of
// when a job that is on its way will leave. It is made of courses (workflow.Course), which hold nothing
// about a person and so outlast an erasure.
//
// A promise counts once per month, first and current apart, when its fate is known: a kept one when the job
// ended, a broken one when its date passed. A forecast says nothing until ranges made the same way have held
// as often as they claim (package forecast).
package history
