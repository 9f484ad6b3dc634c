//! Headers of SCPI commands in their short and long forms.

/// Whether a header is the one of a pattern such as `FREQuency:STARt`: each word in its short form (the capitals) or whole,
/// in letters of either case; a leading colon is allowed (SCPI-99 volume 1, 6.2, from memory).
pub(super) fn is(header: &str, pattern: &str) -> bool {
    let header = header.strip_prefix(':').unwrap_or(header);
    let (mut words, mut patterns) = (header.split(':'), pattern.split(':'));
    loop {
        match (words.next(), patterns.next()) {
            (None, None) => return true,
            (Some(word), Some(pattern)) => {
                let short: String = pattern.chars().filter(|c| !c.is_ascii_lowercase()).collect();
                if !(word.eq_ignore_ascii_case(&short) || word.eq_ignore_ascii_case(pattern)) {
                    return false;
                }
            }
            _ => return false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::is;

    #[test]
    fn short_and_long_words() {
        assert!(is("FREQ:STAR", "FREQuency:STARt") && is(":frequency:star", "FREQuency:STARt"));
        assert!(is("*IDN?", "*IDN?") && is("syst:err?", "SYSTem:ERRor?"));
        assert!(
            !is("FREQU:STAR", "FREQuency:STARt")
                && !is("FREQ", "FREQuency:STARt")
                && !is("FREQ:STAR:X", "FREQuency:STARt")
        );
    }
}
