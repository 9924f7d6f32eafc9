//! The fuzz targets on a few thousand made-up inputs each, so that every run of the tests covers them.
//!
//! The inputs are random bytes and damaged copies of sound ones, the same in every run. The long search is
//! `cargo fuzz`'s (tests/fuzz).

#[expect(unreachable_pub, reason = "the fuzz targets use the same file as a library")]
#[path = "fuzz/src/lib.rs"]
mod fuzz;

/// Inputs made from each sound one, and as many of random bytes.
const ROUNDS: usize = 3000;

/// Sound inputs of each target; damage to them reaches further in than random bytes do.
fn sound_inputs(target: &str) -> Vec<Vec<u8>> {
    let texts = |texts: &[&str]| texts.iter().map(|text| text.as_bytes().to_vec()).collect();
    match target {
        "frames" => vec![
            b"\x11\x03\x00\x6B\x00\x03\x76\x87".to_vec(),
            b"\x00\x01\x00\x00\x00\x06\x01\x03\x00\x6B\x00\x03".to_vec(),
            b"\x03\x00\x6B\x00\x03\x03\x06\x02\x2B\x00\x00\x00\x64".to_vec(),
            b"\x01\x00\x13\x00\x13\x01\x03\xCD\x6B\x05".to_vec(),
        ],
        "words" => {
            let mut inputs: Vec<Vec<u8>> =
                (0..11).map(|kind| vec![kind, 1, 4, 4, 0x40, 0x49, 0x0F, 0xDB]).collect();
            inputs.extend((5..9).map(|kind| vec![kind, 2, 0, 0, 0, 1, 2, 3, 4, 5, 6, 7]));
            inputs
                .extend(["bits 4..7", "holding:107", "400108", "CDAB"].map(|text| text.as_bytes().to_vec()));
            inputs
        }
        "plain" => texts(&["8.71", " -1.5e-3\r\n", "9007199254740993", "1e400", "NaN", "8,71"]),
        "json" => texts(&[
            "/v\n{\"v\": 8.71, \"t\": \"2026-03-01T08:00:00Z\", \"u\": \"[pH]\"}",
            "/a/0/v\n{\"a\": [{\"v\": \"20.5\"}, null, true, 1700000000000]}",
            "\n9007199254740993",
        ]),
        "senml_json" => texts(&[
            r#"[{"bn":"urn:dev:ow:1:","bt":1276020076.001,"bu":"A","bver":5,"n":"v","u":"V","v":120.1},{"n":"c","t":-5,"v":1.2}]"#,
            r#"[{"bn":"s1/","n":"d","vb":true},{"n":"l","vs":"x"},{"n":"b","vd":"aGkgCg"},{"n":"f","bs":100,"s":2.5,"ut":3}]"#,
        ]),
        "senml_cbor" => vec![
            b"\x81\xA5\x21\x63s1/\x22\x1A\x65\x53\xF1\x00\x23\x63Cel\x00\x61t\x02\xFB\x40\x37\x80\0\0\0\0\0"
                .to_vec(),
            b"\x9F\xBF\x00\x61a\x02\xC4\x82\x21\x19\x6A\xB3\xFF\xA2\x00\x61b\x08\x42hi\xFF".to_vec(),
        ],
        "topic" => {
            texts(&["shop/+/sump/#\nshop/1/sump/2/ph", "$share/g/a/+\na/b", "$SYS/#\n$SYS/x", "+/b\n/b"])
        }
        "line" => texts(&[
            "sump,machine=lathe\\ 3,probe=ph value=9.12,quality=\"a \\\"b\\\"\" 1700000000000000000\n",
            "m,a=C:\\x,b=\\,\\=\\  i=-3i,u=7u,t=true,f=-1.5e3",
            "m\u{1f}k\u{1f}v=1, 2\u{1f}f\u{1f}\"te\\xt\"",
        ]),
        "note" => texts(&[
            r#"{"sump":"s","kind":"brix","value":"3,7 °Bx","by":"Kim","at":"2027-01-15T08:00:00Z","text":"x"}"#,
            r#"{"sump":"s","kind":"topup_l","value":5,"unit":"[gal_us]","by":"Kim"}"#,
            r#"{"sump":"s","kind":"dip_slide_cfu_ml","value":"10^4 CFU/mL","by":"Kim"}"#,
            r#"{"sump":"s","kind":"action","by":"Kim","text":"skimmed"}"#,
        ]),
        "sparkplug" => vec![
            b"\x08\x80\xD0\x95\xFF\xBC\x31\x12\x18\x0A\x14Node Control/Rebirth\x70\x01".to_vec(),
            b"\x12\x2A\x0A\x02ph\x10\x07\x18\x05\x20\x0A\x42\x03\x42\x01x\x4A\x10\x0A\x07Quality\x12\x05\x08\x03\x18\xC0\x01\x69\x3D\x0A\xD7\xA3\x70\x3D\x22\x40\x18\x01"
                .to_vec(),
            b"{\"online\":false,\"timestamp\":1700000000000}".to_vec(),
        ],
        other => panic!("no sound input for {other}"),
    }
}

/// xorshift64 (Marsaglia 2003): the same inputs on every machine.
struct Random(u64);

impl Random {
    fn below(&mut self, end: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as usize % end.max(1)
    }

    fn bytes(&mut self) -> Vec<u8> {
        let length = self.below(40);
        (0..length).map(|_| self.below(256) as u8).collect()
    }

    /// One to four changes: a bit turned, bytes cut out, put in, said twice, or the rest dropped.
    fn damage(&mut self, input: &mut Vec<u8>) {
        for _ in 0..=self.below(4) {
            let at = self.below(input.len());
            match self.below(6) {
                0 if !input.is_empty() => input[at] ^= 1 << self.below(8),
                1 if !input.is_empty() => {
                    input[at] =
                        *b"\\\n\0\",= #+/{}[]:09e-~$\x7F\xFF\x80\x9F".get(self.below(29)).unwrap_or(&0)
                }
                2 => input.insert(at, self.below(256) as u8),
                3 => {
                    let end = (at + self.below(9)).min(input.len());
                    input.drain(at.min(end)..end);
                }
                4 => {
                    let end = (at + self.below(9)).min(input.len());
                    let again = input[at.min(end)..end].to_vec();
                    input.splice(at..at, again);
                }
                _ => input.truncate(at),
            }
        }
    }
}

#[test]
fn no_target_falls_over_damaged_input() {
    for (name, target) in fuzz::TARGETS {
        let mut random = Random(0x9E37_79B9_7F4A_7C15);
        for sound in sound_inputs(name) {
            target(&sound);
            for _ in 0..ROUNDS {
                let mut input = sound.clone();
                random.damage(&mut input);
                target(&input);
            }
        }
        for _ in 0..ROUNDS {
            target(&random.bytes());
        }
    }
}

#[test]
fn hostile_sizes_end_quickly() {
    for (_, target) in fuzz::TARGETS {
        for byte in
            [b'[', b'{', b'"', b'\\', b'/', b'1', b' ', 0x81, 0x9F, 0xA1, 0xBF, 0xC1, 0xDB, 0x5F, 0x7F, 0xFF]
        {
            target(&vec![byte; 64 * 1024]);
        }
        let distinct: String = (0..8000).map(|i| format!("\"{i}\":1,")).collect();
        target(format!("/v\n{{{}\"v\":1}}", distinct).as_bytes());
    }
}
