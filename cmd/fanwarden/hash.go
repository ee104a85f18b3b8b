package main

import (
	"bufio"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"flag"
	"fmt"
	"io"
	"os"
	"strings"

	"golang.org/x/crypto/bcrypt"
	"golang.org/x/term"
)

// What a password must have at least, and can have at most: bcrypt reads no
// more than 72 bytes, and what it would not read must not seem to count.
const (
	leastPassword = 10
	mostPassword  = 72
	passwordCost  = 12
)

// hash makes what the fleet file keeps of a password or a token.
func hash(_ context.Context, p *process, args []string) int {
	flags := flag.NewFlagSet("hash", flag.ContinueOnError)
	token := flags.Bool("token", false, "make a token for a machine, and its hash")
	if err := p.parse(flags, args, 0, "[--token]"); err != nil {
		return couldNotRun
	}
	if *token {
		return newToken(p)
	}
	password, err := p.password()
	if err != nil {
		fmt.Fprintf(p.stderr, "fanwarden hash: %v\n", err)
		return couldNotRun
	}
	made, err := bcrypt.GenerateFromPassword([]byte(password), passwordCost)
	if err != nil {
		fmt.Fprintf(p.stderr, "fanwarden hash: %v\n", err)
		return couldNotRun
	}
	fmt.Fprintf(p.stdout, "%s\n", made)
	fmt.Fprintln(p.stderr, `write it in the fleet file: [web] users = {NAME = "..."}`)
	return allWell
}

// newToken makes 32 random bytes: what a machine sends, and its hash.
func newToken(p *process) int {
	secret := make([]byte, 32)
	rand.Read(secret) // never fails: it ends the program rather
	token := fmt.Sprintf("%x", secret)
	sum := sha256.Sum256([]byte(token))
	fmt.Fprintf(p.stdout, "%s\n%x\n", token, sum)
	fmt.Fprintln(p.stderr, "the first line is the token: give it to the machine, it is not shown again;\n"+
		`the second is its hash: write it in the fleet file: [web] tokens = {NAME = "..."}`)
	return allWell
}

// password reads a password: from a terminal twice and without showing it, from
// anything else the first line.
func (p *process) password() (string, error) {
	var password string
	if f, is := p.stdin.(*os.File); is && term.IsTerminal(int(f.Fd())) {
		first, err := p.ask(f, "password: ")
		if err != nil {
			return "", err
		}
		again, err := p.ask(f, "once more: ")
		if err != nil {
			return "", err
		}
		if first != again {
			return "", fmt.Errorf("the two are not the same; try again")
		}
		password = first
	} else {
		line, err := bufio.NewReader(p.stdin).ReadString('\n')
		if err != nil && err != io.EOF {
			return "", fmt.Errorf("the password cannot be read: %w", err)
		}
		password = strings.TrimRight(line, "\r\n")
	}
	if n := len(password); n < leastPassword || n > mostPassword {
		return "", fmt.Errorf("a password has from %d to %d bytes, and this one has %d", leastPassword, mostPassword, n)
	}
	return password, nil
}

// ask reads one line that is not shown.
func (p *process) ask(terminal *os.File, prompt string) (string, error) {
	fmt.Fprint(p.stderr, prompt)
	line, err := term.ReadPassword(int(terminal.Fd()))
	fmt.Fprintln(p.stderr)
	if err != nil {
		return "", fmt.Errorf("the password cannot be read: %w", err)
	}
	return string(line), nil
}
