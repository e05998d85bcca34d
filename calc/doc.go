// Package calc is the arithmetic of the bench: numbers in, numbers and findings
// out. It has no clock, does no I/O, starts no goroutine and logs nothing.
//
// All lengths are millimetres and exact. A length is accepted below 1,000,000 mm
// in size and with at most 9 decimal places, and is held as a whole number of
// picometres, so that sums, medians and differences never round. Only means,
// statistics and limits are rounded.
//
// # The method, version shimwright/1
//
// Everything below is one method under one name. [Method.Version] goes into the
// log with each result; a change to any rule is a new version.
//
// From repeats to a value ([Method.Reduce]):
//
//   - The mean of a place is the mean of its counted repeats, kept to a
//     thousandth of the resolution, half to even. The value is the mean of the
//     place means as kept, rounded alike, or the smallest or the largest place
//     mean where the plan says that one place governs.
//   - A repeat is left out only if a test says so and it also deviates from its
//     place's median by more than the larger of 2.77·s_r and 2·d (2.77 is
//     1.96·√2: what two single readings may differ by, in 95 of 100 cases; ISO
//     5725-6 calls it the repeatability limit). s_r is the instrument's stated
//     repeatability, d its resolution.
//   - With 2 to 5 repeats the test is the known-scatter rule: the deviation from
//     the median, over √(s_r² + d²/12), against the 95 % quantile of the largest
//     such deviation of n normal values. The quantile is computed, see
//     largestDeviation; d²/12 is the variance of rounding to a whole count
//     (JCGM 100:2008, F.2.2.1).
//   - With 6 to 24 it is the two-sided Grubbs test at 5 %, repeated on what is
//     left until it finds nothing (F. E. Grubbs, 1969; NIST/SEMATECH e-Handbook,
//     1.3.5.17.1). Limits are computed from Student's t, not copied from tables.
//     The test knows no scatter but that of the set: two gross errors on one side
//     can hide each other (of six, two alike always do). [Method.LargerSpread] shows it.
//   - From 25 on it is the generalised ESD test at 5 % (B. Rosner, 1983; e-Handbook,
//     1.3.5.17.3): every candidate is worked out before the last significant
//     one decides, so that one outlier cannot hide another.
//   - At most a third of a place's repeats (rounded down) may be left out: of two
//     none, of three one. If more than that are out, none is left out and the
//     place is unsettled: with so many out it is not known which are wrong.
//     One candidate beyond the third is examined to find this out.
//   - Equal readings stand or fall together, and the tests work on the sorted
//     values: the order in which readings came cannot change which values are
//     left out. If the smallest and the largest value are equally far from the
//     mean, the largest is the candidate.
//   - Ten or more counted repeats of a place, in the order in which they came, are
//     checked for lag-1 autocorrelation r (as in NIST StRD, univariate summary
//     statistics); |r| above 2/√n is the finding "repeats not independent".
//
// The gap ([Gap]) is the sum of its terms with their coefficients, exact.
//
// Shims ([Method.BestFits]): every combination that the stock allows on all sides
// together competes, and the best are found exactly. The ranking is written at
// [Method.BestFits], the argument why the search misses nothing at seeker.
//
// # Uncertainty, version shimwright/3
//
// What follows adds to version 1 and changes nothing in it; a result that relies on it
// is logged under [WithUncertainty]. Clauses are those of JCGM 100:2008 (the GUM) unless
// another source is named.
//
//   - Mean of repeats ([Method.MeanUncertainty]): u = max(s_p/√n, d/√12, s_places/√m).
//     Repeats that scatter more than the stated repeatability explains at 99 % are a finding
//     ([Method.LargerSpread]); they count all the same.
//   - Instruments ([InstrumentCauses]): each cause once, whatever it acts on. Of a bare
//     limit ±a nothing cancels: u = a/√3, common to terms of like sign in one use,
//     independent between terms of opposite sign. A certificate or a check in the session
//     turns it into zero, scale and rest, of which the first two may cancel.
//   - Temperature ([ToReference], [Growth]): lengths at 20 °C (ISO 1), and what running
//     temperature adds.
//   - Combination ([Budget.Combine]): (13) with given correlations; Welch-Satterthwaite
//     (G.2b) on unrounded parts, ν cut to a whole number, k from Student's t. Where one
//     cause that is not normal carries more than a third of u², its shape is folded
//     exactly with a normal rest, or drawn ([Budget.MonteCarlo], JCGM 101:2008).
//   - Statement ([Rounded]): U up to two digits, the value to the same decimal, half to even.
//   - Conformity ([Conform]): probabilities inside, too tight, too loose; shown inside
//     needs both the guard band of ISO 14253-1, in the edition that is set, and the
//     probability. [Budget.Unstated] inputs bar it.
//   - Shims ([Method.LikelyFits]): outcome, then probability in steps of 1 % counted down
//     from the greatest, then how the packs sit, nearness to the aim, fewer pieces, and a
//     last order.
//   - Direct evidence ([En], [Fuse], [TrialBuild], [Feeler]): combined with the chain where
//     |E_n| ≤ 1, alone where not. [WhatNext] says which act would lead where.
//   - Over jobs: [Pooled] scatter weighed against what is stated, [Individuals] control
//     charts, [Oftener]. Nothing of it acts on a result.
//   - The rest of the bench: [Heat], [ToNewtonMetres], [Tighten], [Movement], [ShaftBend].
//
// Version 3 differs from 2 in what goes in, not in these rules: a shim that was in while
// the gap was measured acts on the float once, a step read with several instruments has
// its share of each, and the play of bearings is one cause wherever it acts.
//
// The claims are played through in the tests, with jobs whose truth is known.
package calc
