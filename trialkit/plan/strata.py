"""The analysis of variance a layout leads to: sources, their degrees of freedom, their error.

Degrees of freedom are ranks: what a source's indicators add to those of all sources above it. In
complete blocks and split-strips they are the textbooks' (t - 1)(b - 1), (a - 1)(b - 1) and
a(b - 1)(r - 1) (Cochran & Cox, Experimental Designs, chapters 4 and 7). Interactions of more than
two factors stand in the error, as in the model.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from trialkit.analysis.design import Design


def variance_table(design: Design) -> pd.DataFrame:
    """Sources of variation in the order they are taken out.

    Returns
    -------
    DataFrame
        ``stratum`` ("fields", "blocks", "main strips", "strips"), ``term, source`` (in words),
        ``df, role`` ("effect" or "error"). The degrees of freedom add up to the strips less one.
    """
    strips = design.strips
    labels = {f.name: f.label for f in design.factors}
    block = ["field", "pair"]
    main = [*block, "main_strip"] if "main_strip" in design.nested else None
    on_main = [n for n in design.names if main and strips.groupby(main)[n].nunique().max() <= 1]
    rows: list[tuple[str, str, str, list[str], str]] = []
    if strips["field"].nunique() > 1:
        rows.append(("fields", "fields", "fields", ["field"], "error"))
    rows.append(("blocks", "blocks", "blocks", block, "error"))
    units = [("main strips", on_main, main)] if main else []
    units.append(("strips", design.names, [*block, "strip"]))
    crossed = [list(pair) for pair in design.interactions]
    done: list[list[str]] = []
    for stratum, names, unit in units:
        effects = [e for e in [[n] for n in names] + crossed if set(e) <= set(names)]
        fresh = [e for e in effects if e not in done]
        rows += [
            (stratum, ":".join(e), " by ".join(labels[n] for n in e), e, "effect") for e in fresh
        ]
        rows += [
            (stratum, f"{e[0]}:field", f"{labels[e[0]]} by field", ["field", *e], "error")
            for e in fresh
            if len(e) == 1 and e[0] in design.slope_factors
        ]
        rows.append((stratum, stratum, f"{stratum} (error)", list(unit or []), "error"))
        done += fresh
    taken = np.ones((len(strips), 1))
    rank = 1
    out = []
    for stratum, term, source, columns, role in rows:
        taken = np.hstack([taken, _indicators(strips, columns)])
        new = len(strips) if columns[-1] == "strip" else int(np.linalg.matrix_rank(taken))
        out.append((stratum, term, source, new - rank, role))
        rank = new
    table = pd.DataFrame(out, columns=["stratum", "term", "source", "df", "role"])
    return table[table["df"] > 0].reset_index(drop=True)


def _indicators(strips: pd.DataFrame, columns: Sequence[str]) -> np.ndarray:
    code = strips.groupby(list(columns), sort=False).ngroup().to_numpy()
    return np.asarray(code[:, None] == np.arange(code.max() + 1), dtype=float)


def by_factor(design: Design, variance: pd.DataFrame) -> pd.DataFrame:
    """For each factor what it is compared on and how many degrees of freedom judge it.

    Returns
    -------
    DataFrame
        ``factor, label, levels, compared_on, df, error_df``: `error_df` is that of the textbook's
        error line, the difference between fields where the effect may vary between fields.
    """
    rows = []
    for f in design.factors:
        own = variance[variance["term"] == f.name].iloc[0]
        stratum = own["stratum"]
        line = f"{f.name}:field" if f.name in design.slope_factors else stratum
        error = variance.loc[(variance["term"] == line) & (variance["role"] == "error"), "df"]
        rows.append(
            {
                "factor": f.name,
                "label": f.label,
                "levels": len(design.levels[f.name]),
                "compared_on": "fields" if line.endswith(":field") else stratum,
                "df": int(own["df"]),
                "error_df": int(error.sum()),
            }
        )
    return pd.DataFrame(rows)
