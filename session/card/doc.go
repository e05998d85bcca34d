// Package card makes the job card: the paper that goes with an engine when its job is
// handed over. It says what was measured with what, what was left out, what was
// advised by which rule and how sure that is, and it carries the checkpoint by which
// the log can be held to its word.
//
// A card is made from a Job alone. It has no clock, so that the same log gives the
// same bytes. HTML and PDF are written from one document, so that they say the same;
// pictures are lines and text in both, in black, white and grey.
//
// What a person typed stays text: it is escaped in HTML, and characters that cannot be
// seen or that the fonts of the PDF do not have are written as their number.
package card
