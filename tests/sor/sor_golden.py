"""Two whole trace files written out in hex, one line for each field.

They follow the field tables of ``docs/file-format.md`` and were made without the package's
own writer. The content is invented. Checksums: CRC-16, polynomial 0x1021, initial value
0xFFFF, from the standard library's ``binascii.crc_hqx``.
"""

# --- revision 2.00 ---

MAP_2 = (
    bytes.fromhex("4D 61 70 00")  # own name: 'Map'
    + bytes.fromhex("C8 00")  # revision: 2.00
    + bytes.fromhex("85 00 00 00")  # size of Map: 133 bytes
    + bytes.fromhex("09 00")  # number of blocks, Map counted: 9
    + bytes.fromhex("47 65 6E 50 61 72 61 6D 73 00")  # block: 'GenParams'
    + bytes.fromhex("C8 00")  # its revision: 2.00
    + bytes.fromhex("3A 00 00 00")  # its size: 58 bytes
    + bytes.fromhex("53 75 70 50 61 72 61 6D 73 00")  # block: 'SupParams'
    + bytes.fromhex("C8 00")  # its revision: 2.00
    + bytes.fromhex("24 00 00 00")  # its size: 36 bytes
    + bytes.fromhex("46 78 64 50 61 72 61 6D 73 00")  # block: 'FxdParams'
    + bytes.fromhex("C8 00")  # its revision: 2.00
    + bytes.fromhex("5C 00 00 00")  # its size: 92 bytes
    + bytes.fromhex("4B 65 79 45 76 65 6E 74 73 00")  # block: 'KeyEvents'
    + bytes.fromhex("C8 00")  # its revision: 2.00
    + bytes.fromhex("AC 00 00 00")  # its size: 172 bytes
    + bytes.fromhex("4C 6E 6B 50 61 72 61 6D 73 00")  # block: 'LnkParams'
    + bytes.fromhex("C8 00")  # its revision: 2.00
    + bytes.fromhex("0C 00 00 00")  # its size: 12 bytes
    + bytes.fromhex("41 73 68 4D 61 6B 65 72 00")  # block: 'AshMaker'
    + bytes.fromhex("C8 00")  # its revision: 2.00
    + bytes.fromhex("0D 00 00 00")  # its size: 13 bytes
    + bytes.fromhex("44 61 74 61 50 74 73 00")  # block: 'DataPts'
    + bytes.fromhex("C8 00")  # its revision: 2.00
    + bytes.fromhex("1E 00 00 00")  # its size: 30 bytes
    + bytes.fromhex("43 6B 73 75 6D 00")  # block: 'Cksum'
    + bytes.fromhex("C8 00")  # its revision: 2.00
    + bytes.fromhex("08 00 00 00")  # its size: 8 bytes
)

GENERAL_2 = (
    bytes.fromhex("47 65 6E 50 61 72 61 6D 73 00")  # own name: 'GenParams'
    + bytes.fromhex("45 4E")  # language: EN
    + bytes.fromhex("43 2D 37 00")  # cable ID: 'C-7'
    + bytes.fromhex("30 30 31 00")  # fibre ID: '001'
    + bytes.fromhex("91 02")  # fibre type: G.657
    + bytes.fromhex("0E 06")  # nominal wavelength: 1550 nm
    + bytes.fromhex("41 73 68 00")  # location A: 'Ash'
    + bytes.fromhex("45 6C 6D 00")  # location B: 'Elm'
    + bytes.fromhex("52 42 00")  # cable code: 'RB'
    + bytes.fromhex("43 43")  # build condition: CC
    + bytes.fromhex("21 13 00 00")  # user offset: 4897 x 100 ps
    + bytes.fromhex("E8 03 00 00")  # user offset distance: 1000
    + bytes.fromhex("4A 6F 00")  # operator: 'Jo'
    + bytes.fromhex("73 69 6D 75 6C 61 74 65 64 00")  # comment: 'simulated'
)

SUPPLIER_2 = (
    bytes.fromhex("53 75 70 50 61 72 61 6D 73 00")  # own name: 'SupParams'
    + bytes.fromhex("4D 61 6B 65 72 00")  # supplier: 'Maker'
    + bytes.fromhex("4D 46 31 00")  # mainframe ID: 'MF1'
    + bytes.fromhex("53 31 00")  # mainframe serial: 'S1'
    + bytes.fromhex("4F 4D 32 00")  # module ID: 'OM2'
    + bytes.fromhex("53 32 00")  # module serial: 'S2'
    + bytes.fromhex("31 2E 30 00")  # software revision: '1.0'
    + bytes.fromhex("2D 00")  # other: '-'
)

FIXED_2 = (
    bytes.fromhex("46 78 64 50 61 72 61 6D 73 00")  # own name: 'FxdParams'
    + bytes.fromhex("40 0D 5B 66")  # date and time: 2024-06-01 12:00:00 UTC
    + bytes.fromhex("6D 74")  # distance unit: mt
    + bytes.fromhex("99 3C")  # actual wavelength: 1551.3 nm
    + bytes.fromhex("06 FF FF FF")  # acquisition offset: -250 x 100 ps
    + bytes.fromhex("CD FF FF FF")  # acquisition offset distance: -51
    + bytes.fromhex("01 00")  # number of pulse entries: 1
    + bytes.fromhex("64 00")  # pulse width: 100 ns
    + bytes.fromhex("A8 61 00 00")  # data spacing: 25000 x 1e-14 s
    + bytes.fromhex("05 00 00 00")  # data points: 5
    + bytes.fromhex("84 3D 02 00")  # group index: 1.46820
    + bytes.fromhex("2F 03")  # backscatter coefficient: -81.5 dB
    + bytes.fromhex("00 10 00 00")  # number of averages: 4096
    + bytes.fromhex("96 00")  # averaging time: 15.0 s
    + bytes.fromhex("20 A1 07 00")  # acquisition range: 500000 x 100 ps
    + bytes.fromhex("E2 27 00 00")  # acquisition range distance: 10210
    + bytes.fromhex("11 00 00 00")  # front panel offset: 17 x 100 ps
    + bytes.fromhex("CA A8")  # noise floor level: 43.210 dB
    + bytes.fromhex("18 FC")  # noise floor scale factor: -1000
    + bytes.fromhex("15 00")  # power offset: 0.021 dB
    + bytes.fromhex("32 00")  # loss threshold: 0.050 dB
    + bytes.fromhex("40 9C")  # reflectance threshold: -40.000 dB
    + bytes.fromhex("B8 0B")  # end-of-fibre threshold: 3.000 dB
    + bytes.fromhex("52 46")  # trace type: RF
    + bytes.fromhex("01 00 00 00")  # window corner x1: 1
    + bytes.fromhex("FE FF FF FF")  # window corner y1: -2
    + bytes.fromhex("03 00 00 00")  # window corner x2: 3
    + bytes.fromhex("FC FF FF FF")  # window corner y2: -4
)

EVENTS_2 = (
    bytes.fromhex("4B 65 79 45 76 65 6E 74 73 00")  # own name: 'KeyEvents'
    + bytes.fromhex("03 00")  # number of events: 3
    + bytes.fromhex("01 00")  # event number: 1
    + bytes.fromhex("21 13 00 00")  # time of travel: 4897 x 100 ps
    + bytes.fromhex("00 00")  # slope before: 0.000 dB/km
    + bytes.fromhex("D7 00")  # event loss: 0.215 dB
    + bytes.fromhex("38 50 FF FF")  # reflectance: -45.000 dB
    + bytes.fromhex("31 46 39 39 39 39 4C 53")  # event code: 1F9999LS
    + bytes.fromhex("00 00 00 00")  # end of previous event: 0
    + bytes.fromhex("1A 13 00 00")  # start of this event: 4890
    + bytes.fromhex("56 13 00 00")  # end of this event: 4950
    + bytes.fromhex("36 0D 03 00")  # start of next event: 199990
    + bytes.fromhex("24 13 00 00")  # peak: 4900
    + bytes.fromhex("6C 61 75 6E 63 68 00")  # comment: 'launch'
    + bytes.fromhex("02 00")  # event number: 2
    + bytes.fromhex("40 0D 03 00")  # time of travel: 200000 x 100 ps
    + bytes.fromhex("BE 00")  # slope before: 0.190 dB/km
    + bytes.fromhex("D7 FF")  # event loss: -0.041 dB
    + bytes.fromhex("00 00 00 00")  # reflectance: 0.000 dB
    + bytes.fromhex("30 41 39 39 39 39 4C 53")  # event code: 0A9999LS
    + bytes.fromhex("56 13 00 00")  # end of previous event: 4950
    + bytes.fromhex("36 0D 03 00")  # start of this event: 199990
    + bytes.fromhex("7C 0D 03 00")  # end of this event: 200060
    + bytes.fromhex("06 7A 07 00")  # start of next event: 489990
    + bytes.fromhex("00 00 00 00")  # peak: 0
    + bytes.fromhex("00")  # comment: ''
    + bytes.fromhex("03 00")  # event number: 3
    + bytes.fromhex("10 7A 07 00")  # time of travel: 490000 x 100 ps
    + bytes.fromhex("BF 00")  # slope before: 0.191 dB/km
    + bytes.fromhex("00 80")  # event loss: -32.768 dB
    + bytes.fromhex("9C C7 FF FF")  # reflectance: -14.436 dB
    + bytes.fromhex("32 45 39 39 39 39 32 50")  # event code: 2E99992P
    + bytes.fromhex("7C 0D 03 00")  # end of previous event: 200060
    + bytes.fromhex("06 7A 07 00")  # start of this event: 489990
    + bytes.fromhex("60 7A 07 00")  # end of this event: 490080
    + bytes.fromhex("00 00 00 00")  # start of next event: 0
    + bytes.fromhex("1A 7A 07 00")  # peak: 490010
    + bytes.fromhex("65 6E 64 00")  # comment: 'end'
    + bytes.fromhex("39 30 00 00")  # end-to-end loss: 12.345 dB
    + bytes.fromhex("FB FF FF FF")  # its start: -5 x 100 ps
    + bytes.fromhex("10 7A 07 00")  # its finish: 490000 x 100 ps
    + bytes.fromhex("64 7D")  # return loss: 32.100 dB
    + bytes.fromhex("21 13 00 00")  # its start: 4897 x 100 ps
    + bytes.fromhex("11 7A 07 00")  # its finish: 490001 x 100 ps
)

LINK_2 = (
    bytes.fromhex("4C 6E 6B 50 61 72 61 6D 73 00")  # own name: 'LnkParams'
    + bytes.fromhex("00 00")  # not decoded, kept
)

MAKER_2 = (
    bytes.fromhex("41 73 68 4D 61 6B 65 72 00")  # own name: 'AshMaker'
    + bytes.fromhex("DE AD BE EF")  # not known, kept
)

POINTS_2 = (
    bytes.fromhex("44 61 74 61 50 74 73 00")  # own name: 'DataPts'
    + bytes.fromhex("05 00 00 00")  # number of data points: 5
    + bytes.fromhex("01 00")  # number of scale factors: 1
    + bytes.fromhex("05 00 00 00")  # points under it: 5
    + bytes.fromhex("E8 03")  # scale factor: 1.000
    + bytes.fromhex("00 00 E8 03 20 4E 40 9C FF FF")  # points: 0, 1000, 20000, 40000, 65535
)

CHECKSUM_2 = (
    bytes.fromhex("43 6B 73 75 6D 00")  # own name: 'Cksum'
    + bytes.fromhex("E5 03")  # CRC-16 of all bytes before: 0x03E5
)

REVISION_2 = b"".join(
    (MAP_2, GENERAL_2, SUPPLIER_2, FIXED_2, EVENTS_2, LINK_2, MAKER_2, POINTS_2, CHECKSUM_2)
)

# --- revision 1.00: no own names, shorter field lists ---

MAP_1 = (
    bytes.fromhex("64 00")  # revision: 1.00
    + bytes.fromhex("71 00 00 00")  # size of Map: 113 bytes
    + bytes.fromhex("08 00")  # number of blocks, Map counted: 8
    + bytes.fromhex("47 65 6E 50 61 72 61 6D 73 00")  # block: 'GenParams'
    + bytes.fromhex("64 00")  # its revision: 1.00
    + bytes.fromhex("2C 00 00 00")  # its size: 44 bytes
    + bytes.fromhex("53 75 70 50 61 72 61 6D 73 00")  # block: 'SupParams'
    + bytes.fromhex("64 00")  # its revision: 1.00
    + bytes.fromhex("1A 00 00 00")  # its size: 26 bytes
    + bytes.fromhex("46 78 64 50 61 72 61 6D 73 00")  # block: 'FxdParams'
    + bytes.fromhex("64 00")  # its revision: 1.00
    + bytes.fromhex("36 00 00 00")  # its size: 54 bytes
    + bytes.fromhex("4B 65 79 45 76 65 6E 74 73 00")  # block: 'KeyEvents'
    + bytes.fromhex("64 00")  # its revision: 1.00
    + bytes.fromhex("4C 00 00 00")  # its size: 76 bytes
    + bytes.fromhex("41 73 68 4D 61 6B 65 72 00")  # block: 'AshMaker'
    + bytes.fromhex("64 00")  # its revision: 1.00
    + bytes.fromhex("04 00 00 00")  # its size: 4 bytes
    + bytes.fromhex("44 61 74 61 50 74 73 00")  # block: 'DataPts'
    + bytes.fromhex("64 00")  # its revision: 1.00
    + bytes.fromhex("1C 00 00 00")  # its size: 28 bytes
    + bytes.fromhex("43 6B 73 75 6D 00")  # block: 'Cksum'
    + bytes.fromhex("64 00")  # its revision: 1.00
    + bytes.fromhex("02 00 00 00")  # its size: 2 bytes
)

GENERAL_1 = (
    bytes.fromhex("45 4E")  # language: EN
    + bytes.fromhex("43 2D 37 00")  # cable ID: 'C-7'
    + bytes.fromhex("46 E4 72 20 31 00")  # fibre ID: 'F\xe4r 1'
    + bytes.fromhex("1E 05")  # nominal wavelength: 1310 nm
    + bytes.fromhex("41 73 68 00")  # location A: 'Ash'
    + bytes.fromhex("45 6C 6D 00")  # location B: 'Elm'
    + bytes.fromhex("52 42 00")  # cable code: 'RB'
    + bytes.fromhex("42 43")  # build condition: BC
    + bytes.fromhex("21 13 00 00")  # user offset: 4897 x 100 ps
    + bytes.fromhex("4A 6F 00")  # operator: 'Jo'
    + bytes.fromhex("73 69 6D 75 6C 61 74 65 64 00")  # comment: 'simulated'
)

SUPPLIER_1 = (
    bytes.fromhex("4D 61 6B 65 72 00")  # supplier: 'Maker'
    + bytes.fromhex("4D 46 31 00")  # mainframe ID: 'MF1'
    + bytes.fromhex("53 31 00")  # mainframe serial: 'S1'
    + bytes.fromhex("4F 4D 32 00")  # module ID: 'OM2'
    + bytes.fromhex("53 32 00")  # module serial: 'S2'
    + bytes.fromhex("31 2E 30 00")  # software revision: '1.0'
    + bytes.fromhex("2D 00")  # other: '-'
)

FIXED_1 = (
    bytes.fromhex("40 0D 5B 66")  # date and time: 2024-06-01 12:00:00 UTC
    + bytes.fromhex("6B 66")  # distance unit: kf
    + bytes.fromhex("1E 05")  # actual wavelength: 1310, whole nm as some files have it
    + bytes.fromhex("06 FF FF FF")  # acquisition offset: -250 x 100 ps
    + bytes.fromhex("01 00")  # number of pulse entries: 1
    + bytes.fromhex("64 00")  # pulse width: 100 ns
    + bytes.fromhex("A8 61 00 00")  # data spacing: 25000 x 1e-14 s
    + bytes.fromhex("05 00 00 00")  # data points: 5
    + bytes.fromhex("84 3D 02 00")  # group index: 1.46820
    + bytes.fromhex("2F 03")  # backscatter coefficient: -81.5 dB
    + bytes.fromhex("00 10 00 00")  # number of averages: 4096
    + bytes.fromhex("20 A1 07 00")  # acquisition range: 500000 x 100 ps
    + bytes.fromhex("11 00 00 00")  # front panel offset: 17 x 100 ps
    + bytes.fromhex("CA A8")  # noise floor level: 43.210 dB
    + bytes.fromhex("18 FC")  # noise floor scale factor: -1000
    + bytes.fromhex("15 00")  # power offset: 0.021 dB
    + bytes.fromhex("32 00")  # loss threshold: 0.050 dB
    + bytes.fromhex("40 9C")  # reflectance threshold: -40.000 dB
    + bytes.fromhex("B8 0B")  # end-of-fibre threshold: 3.000 dB
)

EVENTS_1 = (
    bytes.fromhex("02 00")  # number of events: 2
    + bytes.fromhex("01 00")  # event number: 1
    + bytes.fromhex("21 13 00 00")  # time of travel: 4897 x 100 ps
    + bytes.fromhex("00 00")  # slope before: 0.000 dB/km
    + bytes.fromhex("D7 00")  # event loss: 0.215 dB
    + bytes.fromhex("38 50 FF FF")  # reflectance: -45.000 dB
    + bytes.fromhex("31 46 39 39 39 39 4C 53")  # event code: 1F9999LS
    + bytes.fromhex("6C 61 75 6E 63 68 00")  # comment: 'launch'
    + bytes.fromhex("02 00")  # event number: 2
    + bytes.fromhex("40 0D 03 00")  # time of travel: 200000 x 100 ps
    + bytes.fromhex("BE 00")  # slope before: 0.190 dB/km
    + bytes.fromhex("D7 FF")  # event loss: -0.041 dB
    + bytes.fromhex("00 00 00 00")  # reflectance: 0.000 dB
    + bytes.fromhex("30 41 39 39 39 39 4C 53")  # event code: 0A9999LS
    + bytes.fromhex("00")  # comment: ''
    + bytes.fromhex("39 30 00 00")  # end-to-end loss: 12.345 dB
    + bytes.fromhex("FB FF FF FF")  # its start: -5 x 100 ps
    + bytes.fromhex("10 7A 07 00")  # its finish: 490000 x 100 ps
    + bytes.fromhex("64 7D")  # return loss: 32.100 dB
    + bytes.fromhex("21 13 00 00")  # its start: 4897 x 100 ps
    + bytes.fromhex("11 7A 07 00")  # its finish: 490001 x 100 ps
)

MAKER_1 = (
    bytes.fromhex("DE AD BE EF")  # not known, kept
)

POINTS_1 = (
    bytes.fromhex("05 00 00 00")  # number of data points: 5
    + bytes.fromhex("02 00")  # number of scale factors: 2
    + bytes.fromhex("03 00 00 00")  # points under it: 3
    + bytes.fromhex("E8 03")  # scale factor: 1.000
    + bytes.fromhex("00 00 E8 03 20 4E")  # points: 0, 1000, 20000
    + bytes.fromhex("02 00 00 00")  # points under it: 2
    + bytes.fromhex("D0 07")  # scale factor: 2.000
    + bytes.fromhex("40 9C FF FF")  # points: 40000, 65535
)

CHECKSUM_1 = (
    bytes.fromhex("37 3E")  # CRC-16 of all bytes before: 0x3E37
)

REVISION_1 = b"".join(
    (MAP_1, GENERAL_1, SUPPLIER_1, FIXED_1, EVENTS_1, MAKER_1, POINTS_1, CHECKSUM_1)
)
