// Package jig asks how far a measurement may be trusted: by a gauge study, in
// which several people measure several vehicles several times, and by a known
// jig, whose wheel planes were found by other means.
//
// The study is the crossed one of two random factors: part (the vehicle) and
// operator (a person, or a setting), with trials in every cell. The jig is
// compared in the way of a proficiency test. Nothing here knows photographs;
// values come in the unit of whoever calls, and go out in it.
package jig
