//! Answers as IEEE 488.2 and SCPI-99 define them, well-formed and not, and at random.

use instrument::scpi::{
    AnswerFault, BlockHead, ByteOrder, Encoding, block_head, decode, error_entry, integer, list, number, whole_block,
};
use signal::random::Random;

fn at(fault: &AnswerFault) -> usize {
    fault.at_byte
}

#[test]
fn numbers_in_the_three_response_formats() {
    // Forms of IEEE 488.2-1992, 8.7.2 to 8.7.4 (from memory); the values are arithmetic.
    for (text, value) in [
        ("0", 0.0),
        ("-12", -12.0),
        ("+7", 7.0),
        ("3.5", 3.5),
        (".5", 0.5),
        ("-1.5E-6", -1.5e-6),
        ("1.5E+06", 1.5e6),
        ("9e3", 9e3),
        ("  42 ", 42.0),
    ] {
        assert_eq!(number(text.as_bytes()).unwrap(), value, "{text}");
    }
    // SCPI-99 volume 1, 7.2.1.4 and 7.2.1.5 (from memory).
    assert!(number(b"9.91E37").unwrap().is_nan() && number(b"9.910000E+37").unwrap().is_nan());
    assert_eq!(number(b"9.9E37").unwrap(), f64::INFINITY);
    assert_eq!(number(b"-9.9E+37").unwrap(), f64::NEG_INFINITY);
}

#[test]
fn a_malformed_number_is_told_with_its_place() {
    for (text, place) in [
        ("", 1),
        ("abc", 1),
        ("-", 2),
        ("1.2.3", 4),
        ("1E", 3),
        ("1E+", 4),
        ("12 dBm", 3),
        ("1,2", 2),
        ("0x10", 2),
        ("nan", 1),
        ("inf", 1),
        ("1e999", 1),
        ("--1", 2),
    ] {
        let fault = number(text.as_bytes()).unwrap_err();
        assert_eq!(at(&fault), place, "{text}: {fault}");
        assert!(fault.expected.contains("number"), "{fault}");
    }
    assert!(integer(b"1.5").is_err());
    assert_eq!(integer(b"+1").unwrap(), 1);
    assert_eq!(integer(b"1.0").unwrap(), 1);
}

#[test]
fn lists_say_which_value_is_wrong() {
    assert_eq!(list(b"1,2.5, -3E0").unwrap(), [1.0, 2.5, -3.0]);
    let fault = list(b"1,2,,4").unwrap_err();
    assert_eq!(at(&fault), 5);
    assert!(fault.expected.contains("value 3") && fault.came == "nothing", "{fault}");
    assert_eq!(at(&list(b"1,2,").unwrap_err()), 5);
    assert_eq!(at(&list(b"1;2").unwrap_err()), 2);
}

#[test]
fn blocks_of_every_legal_head() {
    // `#<digits><length><data>`: every count of digits from 1 to 9 tells the same five bytes (IEEE 488.2-1992, 8.7.9).
    for digits in 1..=9 {
        let answer = format!("#{digits}{:0digits$}hello\n", 5);
        assert_eq!(whole_block(answer.as_bytes()).unwrap(), b"hello", "{answer}");
        let head = BlockHead::Definite { data_at: 2 + digits, data_bytes: 5 };
        assert_eq!(block_head(answer.as_bytes()).unwrap(), head);
        for part in 0..2 + digits {
            assert_eq!(block_head(&answer.as_bytes()[..part]).unwrap(), BlockHead::More, "{answer} {part}");
        }
    }
    assert_eq!(whole_block(b"#10\n").unwrap(), b"");
    assert_eq!(whole_block(b"#15hello").unwrap(), b"hello");
    assert_eq!(whole_block(b"#15hello\r\n").unwrap(), b"hello");
    // 8.7.10: the indefinite block ends with the newline of the message; newlines inside are data.
    assert_eq!(whole_block(b"#0a\nb\n").unwrap(), b"a\nb");
}

#[test]
fn malformed_blocks_are_told_with_their_place() {
    for (answer, place, word) in [
        (&b"15hello"[..], 1, "block head"),
        (b"#x5hello", 2, "block head"),
        (b"#2a5hello", 3, "digit 1 of the 2"),
        (b"#21xhello", 4, "digit 2 of the 2"),
        (b"#15hell", 8, "5 bytes"),
        (b"#15hello!", 9, "the end of the answer"),
        (b"#15hello\n\n", 9, "the end of the answer"),
        (b"#0abc", 6, "newline"),
        (b"", 1, "block head"),
        (b"#", 2, "block head"),
    ] {
        let fault = whole_block(answer).unwrap_err();
        assert_eq!(at(&fault), place, "{fault}");
        assert!(fault.expected.contains(word), "{fault}");
    }
}

#[test]
fn values_in_both_byte_orders() {
    use ByteOrder::{Big, Little};
    // 1.0 and -2.5 as IEEE 754 has them (3f800000, c0200000; 3ff0…, c004…).
    let real32 = [0x3f, 0x80, 0, 0, 0xc0, 0x20, 0, 0];
    assert_eq!(decode(&real32, Encoding::Real32(Big)).unwrap(), [1.0, -2.5]);
    let swapped: Vec<u8> = real32.chunks(4).flat_map(|c| c.iter().rev().copied()).collect();
    assert_eq!(decode(&swapped, Encoding::Real32(Little)).unwrap(), [1.0, -2.5]);
    let real64 = [0x3f, 0xf0, 0, 0, 0, 0, 0, 0, 0xc0, 0x04, 0, 0, 0, 0, 0, 0];
    assert_eq!(decode(&real64, Encoding::Real64(Big)).unwrap(), [1.0, -2.5]);
    let swapped: Vec<u8> = real64.chunks(8).flat_map(|c| c.iter().rev().copied()).collect();
    assert_eq!(decode(&swapped, Encoding::Real64(Little)).unwrap(), [1.0, -2.5]);
    assert_eq!(decode(&[0x01, 0x02, 0xff, 0xfe], Encoding::Int16(Big)).unwrap(), [258.0, -2.0]);
    assert_eq!(decode(&[0x02, 0x01, 0xfe, 0xff], Encoding::Int16(Little)).unwrap(), [258.0, -2.0]);
    assert_eq!(decode(&[0xff, 0xfe], Encoding::Uint16(Big)).unwrap(), [65534.0]);
    assert_eq!(decode(&[0, 1, 0, 0], Encoding::Int32(Big)).unwrap(), [65536.0]);
    assert_eq!(decode(&[0xff, 0xff, 0xff, 0xff], Encoding::Int32(Little)).unwrap(), [-1.0]);
    assert_eq!(decode(&[0x80, 0x7f], Encoding::Int8).unwrap(), [-128.0, 127.0]);
    assert_eq!(decode(&[0x80, 0x7f], Encoding::Uint8).unwrap(), [128.0, 127.0]);
    let fault = decode(&[0; 7], Encoding::Real32(Big)).unwrap_err();
    assert_eq!(at(&fault), 5);
    assert!(fault.came.contains("7 bytes") && fault.expected.contains("multiple of 4"), "{fault}");
}

#[test]
fn error_queue_entries() {
    assert_eq!(error_entry(b"0,\"No error\"").unwrap(), (0, "No error".to_owned()));
    assert_eq!(error_entry(b"-113,\"Undefined header\"").unwrap(), (-113, "Undefined header".to_owned()));
    assert_eq!(error_entry(b"+0").unwrap(), (0, String::new()));
    assert!(error_entry(b"-113,Undefined").is_err() && error_entry(b"No error").is_err());
}

#[test]
fn whatever_comes_is_a_value_or_a_fault_with_a_place_in_it() {
    let seeds: [&[u8]; 8] = [
        b"-41.2,-43.5E0,9.91E37",
        b"#216abcdefghijklmnop\n",
        b"#0\x3f\x80\0\0\n",
        b"#9000000004\x3f\x80\0\0\n",
        b"-113,\"Undefined header\"",
        b"1.5E-6",
        b"#9999999999",
        b"",
    ];
    let mut random = Random::new(20);
    let mut values = 0_u32;
    for round in 0..400_000 {
        let mut bytes = seeds[round % seeds.len()].to_vec();
        for _ in 0..random.below(4) {
            let place = random.below(bytes.len() + 1);
            match random.below(3) {
                0 => bytes.insert(place, random.bits() as u8),
                1 if place < bytes.len() => bytes[place] = random.bits() as u8,
                _ => bytes.truncate(place),
            }
        }
        if round % 16 == 15 {
            bytes = (0..random.below(40)).map(|_| random.bits() as u8).collect();
        }
        let inside = |f: &AnswerFault| f.at_byte >= 1 && f.at_byte <= bytes.len() + 1 && !f.expected.is_empty();
        values += u32::from(number(&bytes).map_err(|f| assert!(inside(&f), "{bytes:?} {f}")).is_ok());
        values += u32::from(list(&bytes).map_err(|f| assert!(inside(&f), "{bytes:?} {f}")).is_ok());
        let _ = error_entry(&bytes).map_err(|f| assert!(inside(&f), "{bytes:?} {f}"));
        match whole_block(&bytes) {
            Err(f) => assert!(inside(&f), "{bytes:?} {f}"),
            Ok(data) => {
                values += 1;
                assert!(data.len() + 2 <= bytes.len());
                for encoding in [
                    Encoding::Real32(ByteOrder::Big),
                    Encoding::Real64(ByteOrder::Little),
                    Encoding::Int16(ByteOrder::Big),
                    Encoding::Int32(ByteOrder::Little),
                    Encoding::Uint8,
                ] {
                    match decode(data, encoding) {
                        Ok(v) => assert_eq!(v.len() * encoding.width().unwrap(), data.len()),
                        Err(f) => assert!(f.at_byte <= data.len() + 1),
                    }
                }
            }
        }
    }
    // The mutations leave a fair part well-formed: both ways were walked.
    assert!(values > 50_000, "{values}");
}
