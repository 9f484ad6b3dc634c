"""Least cost of small laboratory orders by a general integer program, to hold the project's own search against.

Reads a JSON list of instances from standard input, writes the least costs as a JSON list on the last line (null: does not
fit into the days). The formulation shares nothing
with the search: arcs say which job follows which, on one day or over a night, a linear order says which stands before which, and
every day has a load.
"""

import json
import math
import sys

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp


class Model:
    """Columns with bounds and costs, rows as sparse lists."""

    def __init__(self):
        self.low, self.high, self.cost, self.whole = [], [], [], []
        self.rows, self.row_low, self.row_high = [], [], []

    def column(self, low, high, cost=0.0, whole=False):
        self.low.append(low)
        self.high.append(high)
        self.cost.append(cost)
        self.whole.append(1 if whole else 0)
        return len(self.low) - 1

    def binary(self, cost=0.0):
        return self.column(0, 1, cost, True)

    def row(self, terms, low, high):
        self.rows.append(terms)
        self.row_low.append(low)
        self.row_high.append(high)

    def least(self):
        matrix = np.zeros((len(self.rows), len(self.low)))
        for i, terms in enumerate(self.rows):
            for column, value in terms:
                matrix[i, column] += value
        answer = milp(
            self.cost,
            integrality=self.whole,
            bounds=Bounds(self.low, self.high),
            constraints=LinearConstraint(matrix, self.row_low, self.row_high),
            options={"mip_rel_gap": 0.0},
        )
        if answer.status == 2:
            return None  # does not fit
        if not answer.success:
            raise RuntimeError(answer.message)
        return answer.fun


def solve(instance):
    jobs, setups = instance["jobs"], instance["setup_min"]
    day, days, price = instance["day_min"], instance["days"], instance["half_day_price"]
    doubt, kept, passed = instance["doubt"], instance["kept_overnight"], instance["passed_min"]
    n, inf = len(jobs), math.inf
    minute = 2.0 * price / day
    half = (day + 1) // 2
    m = Model()
    every, days_of = range(n), range(days)
    # Which stands before which; what is before on the same sample is put in doubt by a failure.
    before = {}
    for i in every:
        for j in every:
            if i != j:
                same = jobs[i]["sample"] == jobs[j]["sample"]
                weight = jobs[j]["fails"] * jobs[i]["minutes"] * doubt * minute if same else 0.0
                before[i, j] = m.binary(weight)
    for i in every:
        for j in range(i + 1, n):
            m.row([(before[i, j], 1), (before[j, i], 1)], 1, 1)
    for i in every:
        for j in every:
            for k in every:
                if len({i, j, k}) == 3:
                    m.row([(before[i, j], 1), (before[j, k], 1), (before[i, k], -1)], -inf, 1)
            if i != j and jobs[i]["sample"] == jobs[j]["sample"] and jobs[i]["order"] < jobs[j]["order"]:
                m.row([(before[i, j], 1)], 1, 1)
    # Which follows which at once: on one day, or over a night as the first of the next day.
    first = [m.binary() for _ in every]
    pairs = [(i, j) for i in every for j in every if i != j]
    same = {(i, j, d): m.binary() for i, j in pairs for d in days_of}
    night = {(i, j, d): m.binary() for i, j in pairs for d in days_of if d > 0}
    on = {(j, d): m.binary() for j in every for d in days_of}
    m.row([(c, 1) for c in first], 1, 1)
    for j in every:
        m.row([(on[j, d], 1) for d in days_of], 1, 1)
        for d in days_of:
            into = [(same[i, j, d], 1) for i in every if i != j]
            into += [(first[j], 1)] if d == 0 else [(night[i, j, d], 1) for i in every if i != j]
            m.row(into + [(on[j, d], -1)], 0, 0)
            out = [(same[j, k, d], 1) for k in every if k != j]
            out += [(night[j, k, d + 1], 1) for k in every if k != j] if d + 1 < days else []
            m.row(out + [(on[j, d], -1)], -inf, 0)
    for i, j in pairs:
        arcs = [(same[i, j, d], 1) for d in days_of] + [(night[i, j, d], 1) for d in days_of if d > 0]
        m.row(arcs + [(before[i, j], -1)], -inf, 0)
    m.row([(same[k], 1) for k in same] + [(night[k], 1) for k in night], n - 1, n - 1)
    # The load of each day: work, changes of rig, the set-up of the morning. The end is that of the last day.
    end = m.column(0, days * day, 0.1 * minute)
    used = [m.binary(price) for _ in days_of]
    afternoon = [m.binary(price) for _ in days_of]
    for d in days_of:
        load = [(on[j, d], jobs[j]["minutes"]) for j in every]
        for i, j in pairs:
            setup = setups[jobs[j]["rig"]]
            change = 0 if jobs[i]["rig"] == jobs[j]["rig"] else setup
            load.append((same[i, j, d], change))
            if d > 0:
                load.append((night[i, j, d], change if kept else setup))
        if d == 0:
            load += [(first[j], setups[jobs[j]["rig"]]) for j in every]
        else:
            m.row([(night[i, j, d], 1) for i, j in pairs] + [(used[d], -1)], 0, 0)
            m.row([(used[d], 1), (afternoon[d - 1], -1)], -inf, 0)
        for j in every:
            m.row([(on[j, d], 1), (used[d], -1)], -inf, 0)
        m.row(load + [(used[d], -half), (afternoon[d], half - day)], -inf, 0)
        m.row([(end, 1), (used[d], -d * day)] + [(c, -v) for c, v in load], 0, inf)
    fixed = sum(j["fails"] * passed[j["sample"]] * doubt * minute for j in jobs)
    least = m.least()
    return None if least is None else least + fixed


if __name__ == "__main__":
    costs = [solve(i) for i in json.load(sys.stdin)]
    print()  # the solver may leave an open line
    print(json.dumps(costs))
