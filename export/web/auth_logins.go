package web

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"maps"
	"slices"
	"sync"
	"time"

	"golang.org/x/crypto/bcrypt"

	"fanwarden/config"
)

// Bounds of what is remembered of good logins. (Engineering choices: a page
// that asks every few seconds must not cost a bcrypt hash each time.)
const (
	loginLasts = 15 * time.Minute
	mostLogins = 1000
	// longestPassword is what bcrypt looks at, in bytes; what is longer was never
	// hashed and is wrong.
	longestPassword = 72
)

// mark stands for a name, a password and the hash that it fitted. Without the
// key of the process it cannot be guessed from, and it is good for nothing once
// the hash in the fleet file has changed.
type mark [sha256.Size]byte

// logins checks passwords, one at a time, and remembers the good ones for a
// while.
type logins struct {
	now  func() time.Time
	key  []byte
	turn chan struct{} // one hash at a time: passwords must not keep the poller from its work

	mu   sync.Mutex
	good map[mark]time.Time // until when
}

func newLogins(now func() time.Time) *logins {
	l := &logins{now: now, key: make([]byte, sha256.Size), turn: make(chan struct{}, 1), good: make(map[mark]time.Time)}
	_, _ = rand.Read(l.key) // never fails
	return l
}

// known reports whether a login was good a while ago.
func (l *logins) known(access *config.Web, name, password string) bool {
	hash, is := access.Users[name]
	if !is {
		return false
	}
	m := l.markOf(name, password, hash)
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.now().Before(l.good[m])
}

// check compares a password with the user's hash, which takes as long where
// there is no such user. The error is the context's, where the turn never came.
func (l *logins) check(ctx context.Context, access *config.Web, name, password string) (good bool, err error) {
	hash, is := access.Users[name]
	if !is {
		hash = anyHash(access)
	}
	if hash == "" || len(password) > longestPassword {
		return false, nil
	}
	select {
	case l.turn <- struct{}{}:
	case <-ctx.Done():
		return false, ctx.Err()
	}
	defer func() { <-l.turn }()
	if l.known(access, name, password) { // another request of the same page was first
		return true, nil
	}
	fits := bcrypt.CompareHashAndPassword([]byte(hash), []byte(password)) == nil
	if !fits || !is {
		return false, nil
	}
	l.remember(l.markOf(name, password, hash))
	return true, nil
}

// anyHash returns one of the users' hashes, always the same, to compare with
// where the name is unknown.
func anyHash(access *config.Web) string {
	if len(access.Users) == 0 {
		return ""
	}
	return access.Users[slices.Min(slices.Collect(maps.Keys(access.Users)))]
}

func (l *logins) remember(m mark) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.good) >= mostLogins {
		clear(l.good)
	}
	l.good[m] = l.now().Add(loginLasts)
}

func (l *logins) markOf(name, password, hash string) (m mark) {
	h := hmac.New(sha256.New, l.key)
	for _, part := range []string{name, password, hash} {
		h.Write(binary.BigEndian.AppendUint64(nil, uint64(len(part))))
		h.Write([]byte(part))
	}
	copy(m[:], h.Sum(nil))
	return m
}
