// Package forecast estimates time from a shop's own history: how long a stage takes, how long a running job
// still needs, how long the whole way with its branches is, and in which range the answer most likely lies.
//
// What it promises:
//
//   - Jobs that are still running count. Leaving them out would keep the quick ones only; taking them as
//     finished would make everything look quicker. [Estimate] is the product-limit estimate of Kaplan and
//     Meier (J. Am. Stat. Assoc. 53 (1958) 457-481), with Greenwood's standard errors and limits on the log
//     scale, and the cumulative hazard of Nelson and Aalen.
//   - Nothing is invented. What the history doesn't reach is not known: a quantile then comes with ok false,
//     a range with an error (*[NoRange]) that says in a sentence what is missing.
//   - A range of 80 % holds 80 % of the time. [Curve.Range] takes conformal ranks (Vovk, Gammerman, Shafer,
//     Algorithmic Learning in a Random World, 2005), which for exchangeable finished jobs is exact at any
//     number of jobs, not only at many; unfinished jobs make it approximate. A [Model] looks up where among its
//     simulated ways past jobs ended (distributional conformal prediction: Chernozhukov, Wüthrich, Zhu,
//     PNAS 118 (2021) e2107794118) and puts range, middle and risk right by that.
//   - A shop changes. Where the newest steps at a stage, or the newest answers, differ from the older ones, only
//     they are asked, as windows adapt in Bifet and Gavaldà (SIAM Data Mining 2007). While they are too few to tell
//     how long a stage ahead takes now, nothing is told of the jobs that are still to come to it.
//   - Steps are chosen by when they began, never by whether they have finished: the newest finished ones would be
//     the quick ones.
//   - Where things coincide: a job unfinished at the very time at which others finish was still at risk then. A
//     job may take no time at all. Where the curve reaches 0 there is no standard error and there are no limits.
//     Without jobs, or with unfinished ones only, the curve has no points. A duration that is negative, infinite
//     or not a number is refused, with its place.
//   - Durations are in any one unit, usually open hours; answers are in the same. They are 0 or more.
//   - No clock, no chance: simulation takes a seed, and the same question gets the same answer.
//
// It assumes that the jobs still running are not running because they are slower than the rest (they began
// later), and, along a way, that the time a stage takes does not depend on where the job came from or goes next.
//
// # Decisions
//
//   - 2026-11-25: A forecast learns from its own mistakes. Ways are simulated stage by stage, which mistakes
//     slow jobs for quick ones (stages are not independent); so the model asks what it would have told at earlier
//     instants, and corrects the next by what came of it. Rejected: the remaining time of whole jobs
//     per stage, which knows no branches and needs more jobs. What a shop has too little of is not told: the
//     first range comes after some fifty jobs.
//   - 2026-12-01: What has changed is told by the steps since, or not at all. Rejected: one window of 200 jobs, whose
//     ranges held 66 to 77 % after a sudden doubling and through a season; scores for the two ends of a range
//     (Romano, Patterson, Candès 2019), which leave the risk between them up to 23 points off; widening by what was
//     missed lately (Gibbs and Candès, Adaptive Conformal Inference, 2021), which hears of a late job only when its
//     range has passed.
package forecast
