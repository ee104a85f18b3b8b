package main

import (
	"fmt"
	"os"
	"time"

	"fanwarden/rules/turnover"
)

// verify says of each file whether its record is as it was sealed. One that cannot
// be read is no record.
func (p *process) verify(files []string) (status int) {
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			fmt.Fprintln(p.stderr, "fanwarden turnover:", err)
			return couldNotRun
		}
		r, err := turnover.ReadRecord(data)
		if err != nil {
			fmt.Fprintf(p.stdout, "%s: DO NOT RELY ON IT: %v\n", file, err)
			status = foundWrong
			continue
		}
		by := ""
		if r.Who != "" {
			by = " by " + r.Who
		}
		fmt.Fprintf(p.stdout, "%s: the record of %s, proven %s%s, is as it was sealed: SHA-256 %s\n", file, r.Fan.ID, r.Began.Format(time.RFC3339), by, r.SHA256)
	}
	return status
}
