// Command mendbook keeps a workshop's before-and-after book.
package main

import (
	"os"

	_ "time/tzdata" // time zones also where the system has none

	"mendbook/cmd/cli"
)

func main() {
	env, stop := cli.SystemEnv()
	code := cli.Main(env, os.Args[1:])
	stop()
	os.Exit(code)
}
