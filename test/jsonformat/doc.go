// Package jsonformat holds everything the program emits against an independent
// R4 implementation, that of google/fhir, which knows the standard from its own
// protocol buffers and shares no code with ours. It needs nothing but Go;
// test/validator does the same with HL7's own engine, which checks more.
package jsonformat
