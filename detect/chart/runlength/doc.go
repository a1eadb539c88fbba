// Package runlength computes how long control charts run until they signal: the average run length (ARL) and the
// distribution of the run length of CUSUM, EWMA and MEWMA charts of independent normal observations, and the limit that
// a wanted ARL asks for.
//
// All charts work on standardised observations: in control their mean is 0, and their standard deviation is always 1.
// Limits, reference values and shifts are in standard deviations of one observation. A run length counts observations up to
// and with the one that signals, so an ARL is never below 1.
//
// The charts are Markov chains. The integral equation of Page (1954, Biometrika 41:100) for their run length is
// discretised by Gauss-Legendre quadrature (the Nystrom method), which converges geometrically for the normal kernel,
// and solved by an elimination that never subtracts, so that an ARL of 1e12 is as exact as one of 10. The number of
// nodes follows from the width of the chart; no argument asks for it.
//
// Arguments that mean nothing (a NaN, a limit that is not positive) are errors of the program, and panic.
package runlength
