// Package questionnaire holds the published forms and terminology, byte for
// byte as they were authored, and reads responses to them: of any shape that
// portals are known to send into a scoring.Assessment, or into the full list of
// what is wrong.
//
// The forms are JSON files and never pass through the model library, which
// cannot write them: it marshals every answerOption with all six value[x] at
// once, enableWhen with ten answer[x], and drops translations and everything
// else that hangs on a primitive (test TestModelLibraryCannotPublish shows it).
package questionnaire
