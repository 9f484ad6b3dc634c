pub(crate) fn files(mains: &'static str, field: &'static str) -> Vec<(&'static str, String)> {
    vec![(mains, String::new()), (field, String::new())]
}
