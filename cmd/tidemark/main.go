// Command tidemark publishes, checks and scores SCORAD assessments.
package main

import "fmt"

func main() { fmt.Println("tidemark: not yet wired; see CHANGELOG.md") }
