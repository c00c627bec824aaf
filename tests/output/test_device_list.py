from residue.output.device_list import SoundDevice, in_words

CARD = SoundDevice(name="Codec: USB Audio (hw:1,0)", outputs=8, inputs=0, plays_48_khz=True)
MICROPHONES = SoundDevice(name="Belt: USB Audio (hw:2,0)", outputs=0, inputs=2, plays_48_khz=False)
BUSY = SoundDevice(name="HDMI 0", outputs=2, inputs=0, plays_48_khz=False)


def test_devices_come_with_the_line_to_copy() -> None:
    assert in_words([CARD, MICROPHONES, BUSY]) == [
        "For room.toml:",
        '    device = "Codec: USB Audio (hw:1,0)"    # 8 outputs',
        "",
        "For sensors.toml:",
        '    device = "Belt: USB Audio (hw:2,0)"    # 2 inputs',
        "",
        "Not usable now, because they do not play 48 kHz or are busy: HDMI 0.",
    ]


def test_a_machine_without_a_device_gets_a_sentence() -> None:
    assert in_words([]) == [
        "This machine has no sound device. Plug it in, or play on `silent` or into `file:NAME.wav`."
    ]
