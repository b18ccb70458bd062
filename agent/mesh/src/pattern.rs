//! Name patterns with `*`.

/// Whether a name fits a pattern in which `*` stands for any characters, also none. Goes back to the last star only, so that it
/// takes no more than the product of both lengths.
pub(crate) fn matches(pattern: &str, name: &str) -> bool {
    let (pattern, name): (Vec<char>, Vec<char>) = (pattern.chars().collect(), name.chars().collect());
    let (mut p, mut n) = (0, 0);
    let mut star: Option<(usize, usize)> = None;
    while n < name.len() {
        if pattern.get(p) == Some(&'*') {
            star = Some((p, n));
            p += 1;
        } else if pattern.get(p) == Some(&name[n]) {
            p += 1;
            n += 1;
        } else if let Some((at, taken)) = star {
            star = Some((at, taken + 1));
            p = at + 1;
            n = taken + 1;
        } else {
            return false;
        }
    }
    pattern[p..].iter().all(|rest| *rest == '*')
}
