use serde::Serialize;

/// Steps of the search after which what was found so far is taken.
const MOST_STEPS: usize = 200_000;

/// The shortest list that covers everything.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Cover {
    /// Numbers of the chosen sets, rising.
    pub chosen: Vec<usize>,
    /// True where it is proven that no shorter list exists.
    pub shortest: bool,
    /// Members that no set holds.
    pub uncovered: Vec<usize>,
}

struct Search<'a> {
    sets: &'a [Vec<usize>],
    /// For each member the sets that hold it, the largest first.
    holders: Vec<Vec<usize>>,
    best: Vec<usize>,
    steps: usize,
    largest: usize,
}

/// Fewest sets that hold all members `0..members`: exactly, by branch and bound; where that takes too many steps, the best
/// found (which is never longer than the greedy choice: each time the set that holds most of what is left).
pub fn cover(members: usize, sets: &[Vec<usize>]) -> Cover {
    let mut holders = vec![Vec::new(); members];
    for (number, set) in sets.iter().enumerate() {
        for &m in set {
            if m < members {
                holders[m].push(number);
            }
        }
    }
    for list in &mut holders {
        list.sort_by_key(|&s| std::cmp::Reverse(sets[s].len()));
        list.dedup();
    }
    let uncovered: Vec<usize> = (0..members).filter(|m| holders[*m].is_empty()).collect();
    let wanted: Vec<bool> = holders.iter().map(|h| !h.is_empty()).collect();
    let best = greedy(&wanted, sets);
    let largest = sets.iter().map(Vec::len).max().unwrap_or(1).max(1);
    let mut search = Search { sets, holders, best, steps: 0, largest };
    search.go(&mut wanted.clone(), &mut Vec::new());
    let mut chosen = search.best;
    chosen.sort_unstable();
    Cover { chosen, shortest: search.steps < MOST_STEPS, uncovered }
}

fn greedy(wanted: &[bool], sets: &[Vec<usize>]) -> Vec<usize> {
    let mut left = wanted.to_vec();
    let mut chosen = Vec::new();
    loop {
        let gain = |set: &Vec<usize>| set.iter().filter(|m| left.get(**m) == Some(&true)).count();
        let best = (0..sets.len()).rev().max_by_key(|&s| gain(&sets[s]));
        match best {
            Some(s) if gain(&sets[s]) > 0 => {
                for &m in &sets[s] {
                    if let Some(l) = left.get_mut(m) {
                        *l = false;
                    }
                }
                chosen.push(s);
            }
            _ => return chosen,
        }
    }
}

impl Search<'_> {
    fn go(&mut self, left: &mut Vec<bool>, chosen: &mut Vec<usize>) {
        self.steps += 1;
        if self.steps >= MOST_STEPS {
            return;
        }
        let open = left.iter().filter(|l| **l).count();
        if open == 0 {
            if chosen.len() < self.best.len() {
                self.best.clone_from(chosen);
            }
            return;
        }
        if chosen.len() + open.div_ceil(self.largest) >= self.best.len() {
            return;
        }
        // The member with the fewest holders leaves the fewest ways.
        let Some(member) = (0..left.len()).filter(|m| left[*m]).min_by_key(|&m| self.holders[m].len()) else { return };
        for s in self.holders[member].clone() {
            let newly: Vec<usize> = self.sets[s].iter().copied().filter(|m| left.get(*m) == Some(&true)).collect();
            for &m in &newly {
                left[m] = false;
            }
            chosen.push(s);
            self.go(left, chosen);
            chosen.pop();
            for &m in &newly {
                left[m] = true;
            }
        }
    }
}
