pub(crate) fn sweep_text() -> String {
    String::from("Frequency (MHz),Peak (dBuV)\n")
}
