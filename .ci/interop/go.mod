module plumbline/interop

go 1.26.0

require (
	github.com/creack/pty v1.1.24
	github.com/goburrow/modbus v0.1.0
	github.com/simonvetter/modbus v1.6.4
	golang.org/x/sys v0.50.0
)

require github.com/goburrow/serial v0.1.0 // indirect
