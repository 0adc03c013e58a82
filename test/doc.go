// Package test holds what spans packages: rules about imports and comments, and
// black-box runs of the real program.
package test
