// Package sheet shows a judgement to people. The model is verify.Report alone:
// every face is a pure function of it, and says nothing that its JSON does not.
//
// The text face prints the whole answer first, then a row for each fault with
// its reason and the next step below it. What colour tells stands there in a word
// too. From 60 columns faults stand in a table, below that in blocks. Characters
// that a terminal would act on are shown escaped, so that a name cannot rewrite
// the sheet.
package sheet
