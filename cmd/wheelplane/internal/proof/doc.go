// Package proof sets what shows how far a measurement may be trusted, to be
// handed over: the gauge study and the certificate of a comparison with a known
// jig, with their pictures, as PDF. The room reads no files.
package proof
