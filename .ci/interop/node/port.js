"use strict";
// What modbus-serial takes for a serial port here. Its own is a native module
// that is not installed; the frames are the library's all the same. The path is
// HOST:PORT, where the tests wait with a serial line or with a TCP station.
const net = require("net");

class SerialPort extends net.Socket {
    constructor(options, opened) {
        super();
        this.at = options.path.split(":");
        this.setNoDelay(true);
        if (options.autoOpen !== false) {
            this.open(opened);
        }
    }

    // Of a socket this says whether it is connected.
    get isOpen() {
        return this.readyState === "open";
    }

    open(opened) {
        this.connect(Number(this.at[1]), this.at[0], () => {
            this.emit("open");
            if (opened) {
                opened(null);
            }
        });
    }

    close(closed) {
        this.end(closed);
    }
}

module.exports = { SerialPort };
