package seek

// Wiring is what to look at, in this order, when a serial line is silent at all
// settings. Resistances and voltages are those of two 120 ohm terminators and of
// the +-200 mV threshold of RS-485 receivers (TIA/EIA-485); the order is common
// practice.
var wiring = []string{
	"Power: is the station switched on, and in the mode in which it serves this port?",
	"Port: is this the port and adapter that the pair is connected to? A loop from transmit to receive brings bytes back.",
	"Pair: are the two wires the right way round? Labels A and B differ from maker to maker; swapping them once does no harm.",
	"Common: is the third conductor run along with the pair? Without it the ends may be more than 7 V apart.",
	"Termination, power off: about 60 ohm across the pair with both terminators, 120 ohm with one, open with none. Below 60 ohm there are too many.",
	"Bias, idle and powered: more than 200 mV across the pair; the wire that is positive then is D1 on every device, whatever its label.",
	"One station alone on a short pair: does it answer? Then add the others one by one.",
	"Number: is the unit number what you think? Some switches count from 0, and some are read only at power-on.",
	"Driver enable: does the adapter switch to transmit by itself? If not, say in the line file what turns it (rs485).",
	"Settings: a speed that was not tried? Name it with --baud. All units: --all asks every number at every setting.",
	"Stations that answer late: --response 1s.",
}

// network is the same for a host that accepts and is silent.
var network = []string{
	"Host: does this address belong to the device you mean, and is its Modbus service switched on?",
	"Client list: does the device answer only to addresses that it was told? Does it take another client at all?",
	"Number: a gateway answers only for the units behind it; --units 1-247 asks them all, --response 1s waits for slow ones.",
	"Behind a gateway: are its serial settings those of the line, and is the line itself sound?",
	"Framing: some converters pass bytes on as they are: --framing rtu or ascii.",
}

// Check is the ordered check for a line on which nothing answered.
func (r *Report) Check() []string {
	if len(r.Tried) > 0 && r.Tried[0].Settings.Network() {
		return network
	}
	return wiring
}
