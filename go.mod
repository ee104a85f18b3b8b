module fanwarden

go 1.26

require (
	github.com/BurntSushi/toml v1.6.0 // indirect
	github.com/goburrow/serial v0.1.0 // indirect
	github.com/pelletier/go-toml/v2 v2.4.3 // indirect
	github.com/simonvetter/modbus v1.6.4 // indirect
	go.uber.org/goleak v1.3.0 // indirect
	go.uber.org/multierr v1.10.0 // indirect
	go.uber.org/zap v1.28.0 // indirect
	pgregory.net/rapid v1.3.0 // indirect
)
