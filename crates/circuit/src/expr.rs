//! Expressions of `.param`, of element values in braces, and of behavioural sources.

use std::f64::consts::PI;

use crate::number;

/// A tree that can be worked out, with or without its slope towards one input.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Expr {
    Number(f64),
    /// A parameter, replaced before anything is worked out.
    Name(String),
    /// `v(a)`, `v(a,b)` or `i(source)`, before the inputs are numbered.
    Probe(char, Vec<String>),
    /// A numbered input.
    Input(usize),
    Time,
    Negate(Box<Expr>),
    Not(Box<Expr>),
    Binary(Op, Box<Expr>, Box<Expr>),
    Call(Function, Vec<Expr>),
    Choose(Box<Expr>, Box<Expr>, Box<Expr>),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Op {
    Add,
    Subtract,
    Multiply,
    Divide,
    Power,
    Less,
    LessEqual,
    Greater,
    GreaterEqual,
    Equal,
    NotEqual,
    And,
    Or,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Function {
    Abs,
    Sqrt,
    Exp,
    Ln,
    Log10,
    Sin,
    Cos,
    Tan,
    Atan,
    Atan2,
    Sinh,
    Cosh,
    Tanh,
    Sign,
    Min,
    Max,
    Power,
    /// `pwr(x,y)`: sgn(x)·|x|^y.
    SignedPower,
    Floor,
    Ceil,
    Limit,
    Step,
    Ramp,
}

impl Function {
    fn named(name: &str) -> Option<(Self, usize)> {
        Some(match name {
            "abs" => (Self::Abs, 1),
            "sqrt" => (Self::Sqrt, 1),
            "exp" => (Self::Exp, 1),
            "ln" | "log" => (Self::Ln, 1),
            "log10" => (Self::Log10, 1),
            "sin" => (Self::Sin, 1),
            "cos" => (Self::Cos, 1),
            "tan" => (Self::Tan, 1),
            "atan" | "arctan" => (Self::Atan, 1),
            "atan2" => (Self::Atan2, 2),
            "sinh" => (Self::Sinh, 1),
            "cosh" => (Self::Cosh, 1),
            "tanh" => (Self::Tanh, 1),
            "sgn" | "sign" => (Self::Sign, 1),
            "min" => (Self::Min, 2),
            "max" => (Self::Max, 2),
            "pow" => (Self::Power, 2),
            "pwr" => (Self::SignedPower, 2),
            "floor" => (Self::Floor, 1),
            "ceil" => (Self::Ceil, 1),
            "limit" => (Self::Limit, 3),
            "u" => (Self::Step, 1),
            "uramp" => (Self::Ramp, 1),
            _ => return None,
        })
    }
}

/// A value and its slope towards one input.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Dual {
    pub(crate) value: f64,
    pub(crate) slope: f64,
}

impl Dual {
    fn constant(value: f64) -> Self {
        Self { value, slope: 0.0 }
    }
}

impl Expr {
    pub(crate) fn parse(text: &str) -> Result<Self, String> {
        let mut p = Parser { text: text.as_bytes(), at: 0, depth: 0 };
        let e = p.choice()?;
        p.blank();
        if p.at < p.text.len() {
            return Err(format!("`{}` is left over in the expression", &text[p.at..]));
        }
        Ok(e)
    }

    /// Replaces parameters by their values; the first one without a value is the error.
    pub(crate) fn with_parameters(&self, lookup: &dyn Fn(&str) -> Option<f64>) -> Result<Self, String> {
        let go = |e: &Self| e.with_parameters(lookup);
        Ok(match self {
            Self::Name(name) => match lookup(name) {
                Some(v) => Self::Number(v),
                None => return Err(format!("the parameter `{name}` has no value here")),
            },
            Self::Negate(a) => Self::Negate(Box::new(go(a)?)),
            Self::Not(a) => Self::Not(Box::new(go(a)?)),
            Self::Binary(op, a, b) => Self::Binary(*op, Box::new(go(a)?), Box::new(go(b)?)),
            Self::Call(f, args) => Self::Call(*f, args.iter().map(go).collect::<Result<_, _>>()?),
            Self::Choose(c, a, b) => Self::Choose(Box::new(go(c)?), Box::new(go(a)?), Box::new(go(b)?)),
            other => other.clone(),
        })
    }

    /// Gives every probe a number, through `number`.
    pub(crate) fn with_inputs(
        &self,
        number: &mut dyn FnMut(char, &[String]) -> Result<usize, String>,
    ) -> Result<Self, String> {
        Ok(match self {
            Self::Probe(kind, names) => Self::Input(number(*kind, names)?),
            Self::Negate(a) => Self::Negate(Box::new(a.with_inputs(number)?)),
            Self::Not(a) => Self::Not(Box::new(a.with_inputs(number)?)),
            Self::Binary(op, a, b) => {
                Self::Binary(*op, Box::new(a.with_inputs(number)?), Box::new(b.with_inputs(number)?))
            }
            Self::Call(f, args) => {
                let mut out = Vec::with_capacity(args.len());
                for a in args {
                    out.push(a.with_inputs(number)?);
                }
                Self::Call(*f, out)
            }
            Self::Choose(c, a, b) => Self::Choose(
                Box::new(c.with_inputs(number)?),
                Box::new(a.with_inputs(number)?),
                Box::new(b.with_inputs(number)?),
            ),
            other => other.clone(),
        })
    }

    /// Worked out where there is nothing but numbers and parameters already replaced.
    pub(crate) fn constant(&self) -> Result<f64, String> {
        if self.uses_time_or_input() {
            return Err("a voltage, a current or the time stands where only numbers can".into());
        }
        let value = self.at(&[], 0.0, usize::MAX).value;
        if value.is_finite() { Ok(value) } else { Err("the expression has no finite value".into()) }
    }

    fn uses_time_or_input(&self) -> bool {
        match self {
            Self::Number(_) | Self::Name(_) => false,
            Self::Probe(..) | Self::Input(_) | Self::Time => true,
            Self::Negate(a) | Self::Not(a) => a.uses_time_or_input(),
            Self::Binary(_, a, b) => a.uses_time_or_input() || b.uses_time_or_input(),
            Self::Call(_, args) => args.iter().any(Self::uses_time_or_input),
            Self::Choose(c, a, b) => [c, a, b].iter().any(|e| e.uses_time_or_input()),
        }
    }

    /// Value, and slope towards input `towards`.
    pub(crate) fn at(&self, inputs: &[f64], time_s: f64, towards: usize) -> Dual {
        match self {
            Self::Number(v) => Dual::constant(*v),
            Self::Name(_) | Self::Probe(..) => Dual::constant(f64::NAN),
            Self::Input(i) => Dual { value: inputs[*i], slope: if *i == towards { 1.0 } else { 0.0 } },
            Self::Time => Dual::constant(time_s),
            Self::Negate(a) => {
                let a = a.at(inputs, time_s, towards);
                Dual { value: -a.value, slope: -a.slope }
            }
            Self::Not(a) => Dual::constant(f64::from(a.at(inputs, time_s, towards).value == 0.0)),
            Self::Choose(c, a, b) => {
                if c.at(inputs, time_s, towards).value != 0.0 {
                    a.at(inputs, time_s, towards)
                } else {
                    b.at(inputs, time_s, towards)
                }
            }
            Self::Binary(op, a, b) => {
                let (a, b) = (a.at(inputs, time_s, towards), b.at(inputs, time_s, towards));
                let truth = |t: bool| Dual::constant(f64::from(t));
                match op {
                    Op::Add => Dual { value: a.value + b.value, slope: a.slope + b.slope },
                    Op::Subtract => Dual { value: a.value - b.value, slope: a.slope - b.slope },
                    Op::Multiply => Dual { value: a.value * b.value, slope: a.slope * b.value + a.value * b.slope },
                    Op::Divide => {
                        Dual { value: a.value / b.value, slope: (a.slope - a.value / b.value * b.slope) / b.value }
                    }
                    Op::Power => power(a, b),
                    Op::Less => truth(a.value < b.value),
                    Op::LessEqual => truth(a.value <= b.value),
                    Op::Greater => truth(a.value > b.value),
                    Op::GreaterEqual => truth(a.value >= b.value),
                    Op::Equal => truth(a.value == b.value),
                    Op::NotEqual => truth(a.value != b.value),
                    Op::And => truth(a.value != 0.0 && b.value != 0.0),
                    Op::Or => truth(a.value != 0.0 || b.value != 0.0),
                }
            }
            Self::Call(f, args) => {
                let a = args[0].at(inputs, time_s, towards);
                let second = || args[1].at(inputs, time_s, towards);
                let of = |value: f64, slope: f64| Dual { value, slope: slope * a.slope };
                let x = a.value;
                match f {
                    Function::Abs => of(x.abs(), if x < 0.0 { -1.0 } else { 1.0 }),
                    Function::Sqrt => of(x.sqrt(), 0.5 / x.sqrt().max(1e-150)),
                    Function::Exp => {
                        // Beyond this the curve goes on straight, so that an iteration can come back.
                        let bound = 200.0;
                        if x > bound { of(bound.exp() * (1.0 + x - bound), bound.exp()) } else { of(x.exp(), x.exp()) }
                    }
                    Function::Ln => of(x.ln(), 1.0 / x),
                    Function::Log10 => of(x.log10(), 1.0 / (x * std::f64::consts::LN_10)),
                    Function::Sin => of(x.sin(), x.cos()),
                    Function::Cos => of(x.cos(), -x.sin()),
                    Function::Tan => of(x.tan(), 1.0 / x.cos().powi(2)),
                    Function::Atan => of(x.atan(), 1.0 / (1.0 + x * x)),
                    Function::Sinh => of(x.sinh(), x.cosh()),
                    Function::Cosh => of(x.cosh(), x.sinh()),
                    Function::Tanh => of(x.tanh(), 1.0 - x.tanh().powi(2)),
                    Function::Sign => Dual::constant(if x == 0.0 { 0.0 } else { x.signum() }),
                    Function::Floor => Dual::constant(x.floor()),
                    Function::Ceil => Dual::constant(x.ceil()),
                    Function::Step => Dual::constant(f64::from(x > 0.0)),
                    Function::Ramp => {
                        if x > 0.0 {
                            a
                        } else {
                            Dual::constant(0.0)
                        }
                    }
                    Function::Atan2 => {
                        let b = second();
                        let d = a.value * a.value + b.value * b.value;
                        Dual {
                            value: a.value.atan2(b.value),
                            slope: (a.slope * b.value - a.value * b.slope) / d.max(1e-300),
                        }
                    }
                    Function::Min => {
                        let b = second();
                        if b.value < a.value { b } else { a }
                    }
                    Function::Max => {
                        let b = second();
                        if b.value > a.value { b } else { a }
                    }
                    Function::Power => power(a, second()),
                    Function::SignedPower => {
                        let b = second();
                        let size = x.abs().powf(b.value);
                        let slope = if x == 0.0 { 0.0 } else { b.value * size / x.abs() * a.slope };
                        Dual { value: size * if x < 0.0 { -1.0 } else { 1.0 }, slope }
                    }
                    Function::Limit => {
                        let (low, high) = (second(), args[2].at(inputs, time_s, towards));
                        if a.value < low.value {
                            low
                        } else if a.value > high.value {
                            high
                        } else {
                            a
                        }
                    }
                }
            }
        }
    }
}

fn power(a: Dual, b: Dual) -> Dual {
    let value = a.value.powf(b.value);
    let mut slope = 0.0;
    if a.slope != 0.0 {
        slope += b.value * a.value.powf(b.value - 1.0) * a.slope;
    }
    if b.slope != 0.0 && a.value > 0.0 {
        slope += value * a.value.ln() * b.slope;
    }
    Dual { value, slope }
}

struct Parser<'a> {
    text: &'a [u8],
    at: usize,
    depth: usize,
}

impl Parser<'_> {
    fn blank(&mut self) {
        while self.text.get(self.at).is_some_and(u8::is_ascii_whitespace) {
            self.at += 1;
        }
    }

    fn take(&mut self, sign: &str) -> bool {
        self.blank();
        if self.text[self.at..].starts_with(sign.as_bytes()) {
            self.at += sign.len();
            true
        } else {
            false
        }
    }

    fn must(&mut self, sign: &str) -> Result<(), String> {
        if self.take(sign) {
            Ok(())
        } else {
            let rest = String::from_utf8_lossy(&self.text[self.at..]).into_owned();
            Err(format!("`{sign}` is missing before `{rest}`"))
        }
    }

    fn choice(&mut self) -> Result<Expr, String> {
        self.depth += 1;
        if self.depth > 200 {
            return Err("the expression is nested more than 200 deep".into());
        }
        let condition = self.binary(0)?;
        let e = if self.take("?") {
            let a = self.choice()?;
            self.must(":")?;
            let b = self.choice()?;
            Expr::Choose(Box::new(condition), Box::new(a), Box::new(b))
        } else {
            condition
        };
        self.depth -= 1;
        Ok(e)
    }

    fn binary(&mut self, level: usize) -> Result<Expr, String> {
        const LEVELS: [&[(&str, Op)]; 5] = [
            &[("||", Op::Or)],
            &[("&&", Op::And)],
            &[
                ("<=", Op::LessEqual),
                (">=", Op::GreaterEqual),
                ("==", Op::Equal),
                ("!=", Op::NotEqual),
                ("<", Op::Less),
                (">", Op::Greater),
            ],
            &[("+", Op::Add), ("-", Op::Subtract)],
            &[("*", Op::Multiply), ("/", Op::Divide)],
        ];
        let Some(signs) = LEVELS.get(level) else { return self.unary() };
        let mut left = self.binary(level + 1)?;
        'more: loop {
            self.blank();
            for (sign, op) in *signs {
                // `**` is a power, not a product.
                if *sign == "*" && self.text[self.at..].starts_with(b"**") {
                    continue;
                }
                if self.take(sign) {
                    let right = self.binary(level + 1)?;
                    left = Expr::Binary(*op, Box::new(left), Box::new(right));
                    continue 'more;
                }
            }
            return Ok(left);
        }
    }

    fn unary(&mut self) -> Result<Expr, String> {
        self.depth += 1;
        if self.depth > 200 {
            return Err("the expression is nested more than 200 deep".into());
        }
        let e = if self.take("-") {
            Expr::Negate(Box::new(self.unary()?))
        } else if self.take("+") {
            self.unary()?
        } else if self.take("!") {
            Expr::Not(Box::new(self.unary()?))
        } else {
            let base = self.primary()?;
            if self.take("**") || self.take("^") {
                let exponent = self.unary()?;
                Expr::Binary(Op::Power, Box::new(base), Box::new(exponent))
            } else {
                base
            }
        };
        self.depth -= 1;
        Ok(e)
    }

    fn primary(&mut self) -> Result<Expr, String> {
        self.blank();
        let Some(&c) = self.text.get(self.at) else { return Err("the expression ends too early".into()) };
        if c == b'(' {
            self.at += 1;
            let e = self.choice()?;
            self.must(")")?;
            return Ok(e);
        }
        let start = self.at;
        if c.is_ascii_digit() || c == b'.' {
            let rest = std::str::from_utf8(&self.text[self.at..]).map_err(|e| e.to_string())?;
            let length = number::length(rest);
            self.at += length;
            return number::parse(&rest[..length]).map(|n| Expr::Number(n.value));
        }
        if !(c.is_ascii_alphabetic() || c == b'_') {
            let rest = String::from_utf8_lossy(&self.text[self.at..]).into_owned();
            return Err(format!("`{rest}` does not begin a value"));
        }
        while self.text.get(self.at).is_some_and(|c| c.is_ascii_alphanumeric() || matches!(c, b'_' | b'.')) {
            self.at += 1;
        }
        let name = String::from_utf8_lossy(&self.text[start..self.at]).to_ascii_lowercase();
        if !self.take("(") {
            return Ok(match name.as_str() {
                "pi" => Expr::Number(PI),
                "time" => Expr::Time,
                _ => Expr::Name(name),
            });
        }
        if name == "v" || name == "i" {
            let from = self.at;
            while self.text.get(self.at).is_some_and(|c| *c != b')') {
                self.at += 1;
            }
            let inner = String::from_utf8_lossy(&self.text[from..self.at]).to_ascii_lowercase();
            self.must(")")?;
            let names: Vec<String> = inner.split(',').map(|s| s.trim().to_owned()).collect();
            let most = if name == "v" { 2 } else { 1 };
            if names.iter().any(|n| n.is_empty() || n.contains(char::is_whitespace)) || names.len() > most {
                return Err(format!("`{name}({inner})` names no {}", if name == "v" { "node" } else { "source" }));
            }
            return Ok(Expr::Probe(if name == "v" { 'v' } else { 'i' }, names));
        }
        let Some((function, count)) = Function::named(&name) else {
            return Err(format!("`{name}` is no function known here"));
        };
        let mut args = vec![self.choice()?];
        while self.take(",") {
            args.push(self.choice()?);
        }
        self.must(")")?;
        if args.len() != count {
            return Err(format!("`{name}` takes {count} value(s), not {}", args.len()));
        }
        Ok(Expr::Call(function, args))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn value(text: &str) -> f64 {
        let e = Expr::parse(text).unwrap().with_parameters(&|n| (n == "a").then_some(3.0)).unwrap();
        e.constant().unwrap()
    }

    #[test]
    fn precedence_is_that_of_arithmetic() {
        assert_eq!(value("1+2*3"), 7.0);
        assert_eq!(value("-2^2"), -4.0);
        assert_eq!(value("2^3^2"), 512.0);
        assert_eq!(value("2**-1"), 0.5);
        assert_eq!(value("8/2/2"), 2.0);
        assert_eq!(value("(1+2)*a"), 9.0);
        assert_eq!(value("a>2 && a<4 ? 1k : 2k"), 1000.0);
        assert_eq!(value("1u*1meg"), 1.0);
        assert_eq!(value("max(1,min(a,2))"), 2.0);
    }

    #[test]
    fn what_is_wrong_is_said() {
        for (text, word) in [
            ("1+", "ends"),
            ("foo(1)", "foo"),
            ("1 2", "left over"),
            ("max(1)", "takes 2"),
            ("(1", "missing"),
            ("1k5", "1k5"),
        ] {
            let e = Expr::parse(text).unwrap_err();
            assert!(e.contains(word), "{text}: {e}");
        }
        let e = Expr::parse("b*2").unwrap().with_parameters(&|_| None).unwrap_err();
        assert!(e.contains("`b`"), "{e}");
    }

    /// Slopes against differences over two points.
    #[test]
    fn slopes_are_those_of_the_curve() {
        for text in
            ["v(a)^3", "sin(v(a))*exp(v(a))", "100/max(v(a),0.5)", "pwr(v(a),0.3)", "atan2(v(a),2)", "tanh(v(a))"]
        {
            let e = Expr::parse(text).unwrap().with_inputs(&mut |_, _| Ok(0)).unwrap();
            for x in [0.7, 1.3, 2.9] {
                let h = 1e-6;
                let difference = (e.at(&[x + h], 0.0, 0).value - e.at(&[x - h], 0.0, 0).value) / (2.0 * h);
                let slope = e.at(&[x], 0.0, 0).slope;
                assert!((slope - difference).abs() < 1e-6 * (1.0 + slope.abs()), "{text} at {x}: {slope} {difference}");
            }
        }
    }
}
