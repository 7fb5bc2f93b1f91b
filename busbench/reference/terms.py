"""The words used on screens, pages and in the reference."""

TERMS = (
    ("frame", "25 bytes: a header, 16 channels of 11 bits, a byte of flags with two on/off channels, an end byte"),
    ("counts", "the value of a channel as sent, 0 to 2047"),
    ("%", "percent of full command. In this program ±100 % are 819 counts either side of the centre: 173 and 1811"
          " counts, 988 and 2012 µs on the usual scale. Other conventions exist: see [scale] in `busbench help"
          " rig-file`"),
    ("scale", "microseconds per count, and the centre. The frame does not state it; it is assumed, or measured by"
              " `busbench pulses`"),
    ("frame period", "time from one frame to the next"),
    ("frame timing", "the frame period and how evenly frames follow one another"),
    ("flagged lost", "the receiver set the frame-lost flag: it did not hear the transmitter for this frame."
     " As a kind of outage: lost"),
    ("failsafe", "the receiver set the failsafe flag: the link is lost, and channels have their failsafe values"),
    ("gap", "a time in which frames were due and none arrived"),
    ("damaged", "bytes where a frame was due that do not form one, or a frame with a byte that the line marked"
                " (parity, framing)"),
    ("missed frames", "of the frames due: missing, flagged lost or failsafe, or damaged. All causes together"),
    ("outage", "an unbroken time of missed frames"),
    ("annotation", "a text with its time, kept in the recording: the key m on the screens sets one"),
    ("period jitter", "how far periods are from their mean, as root mean square (rms)"),
    ("cycle-to-cycle jitter", "change from one period to the next"),
    ("TIE", "time interval error: how far a frame is from an even sequence of frames"),
    ("MTIE", "the most by which TIE changes within a window of a given length"),
    ("measurement floor", "how far the true value may be from the figure shown, because of adapter and computer"),
    ("in sync", "each frame is found where the frame before it ended"),
    ("ambiguous", "the bytes can be read as frames in two ways that are equally good"),
    ("slot", "the pause after a frame in which a sensor on the bus may answer"),
    ("rig", "the aircraft as a plan: supply, hubs, leads, devices"),
    ("device", "what is connected to a channel or slot: a servo on the bus, a PWM device, a sensor"),
    ("PWM device", 'a device on an ordinary servo pulse lead. In a rig file: kind = "off-bus"'),
    ("hub", "where the bus branches"),
    ("lead", "a pair of supply wires, with the signal beside them"),
    ("endpoints", "the lowest and highest value of a channel; when driving: travel limits"),
    ("neutral", "the position in the middle of the travel"),
    ("rest", "the position of a channel while its control is left alone"),
    ("locked", "held at its rest position: a drive or walk does not move it"),
    ("walk", "moving one device after another while you look at the surfaces"),
    ("test sequence", "the steps that `busbench verify` judges: controls one by one, transmitter off and on"),
    ("not tested", "a check that the recording cannot answer. It does not count as passed"),
    ("TOML", "a text format: key = value lines below [table] headings; texts in quotes, a point for decimals"),
)  # fmt: skip
