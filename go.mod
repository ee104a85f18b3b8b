module fanwarden

go 1.26
