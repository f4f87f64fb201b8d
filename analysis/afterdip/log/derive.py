"""Figures that follow from a validated log's cells: strengths of baths, product used, person-minutes."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .units import LITRES, MG_PER_ML, amount_unit, bath_axis, celsius, scales_with_strength

PRODUCT = {"volume": "product_ml", "mass": "product_g", "tablet": "product_tablets"}


def add_derived(tables: dict[str, pd.DataFrame]) -> None:
    """Add the derived columns of DEVELOPERS.md to the frames of a valid log, in place.

    Amounts are of product. The axis of a bath's strength is decided per agent and kind of amount: an agent measured in
    two ways (say mL of a product of unknown strength, and g) has sessions on two axes, each naming its own.
    """
    agents, sessions, labour = tables["agents"], tables["sessions"], tables["labour"]
    _add(sessions, session_figures(agents, sessions))
    _add(agents, agent_figures(agents, sessions))
    _add(labour, {"person_min": labour["people"].to_numpy() * labour["minutes"].to_numpy()})


def _add(frame: pd.DataFrame, figures: dict[str, np.ndarray]) -> None:
    for name, values in figures.items():
        frame[name] = values


def usable_strength(agents: pd.DataFrame) -> tuple[np.ndarray, list[str | None]]:
    """Return (strength, unit) per agent, NaN and None unless both are known."""
    known = (agents["active_strength"].notna() & agents["strength_unit"].notna()).to_numpy()
    units = [unit if ok else None for unit, ok in zip(agents["strength_unit"], known, strict=True)]
    return np.where(known, agents["active_strength"], np.nan), units


def factor_per_product(kind: str, strength: float, strength_unit: str | None) -> tuple[float, str]:
    """Return (factor, axis): the bath's strength is `factor` x product per litre (mL, mg or tablets), on that axis."""
    axis, factor = bath_axis(kind, strength_unit)
    return factor * (strength if scales_with_strength(kind, strength_unit) else 1.0), axis


def session_figures(agents: pd.DataFrame, sessions: pd.DataFrame) -> dict[str, np.ndarray]:
    """Return the derived columns of `sessions`, each of shape (n_sessions,)."""
    of = pd.Index(agents["agent"]).get_indexer(sessions["agent"])
    sham = agents["is_control"].to_numpy(dtype=bool)[of]
    litres = sessions["bath_volume"].to_numpy() * sessions["bath_volume_unit"].map(LITRES).to_numpy(dtype=float)
    figures = {
        "date": sessions["started"].dt.normalize().to_numpy(),
        "is_control": sham,
        "bath_volume_l": litres,
        "exposure_min": sessions["minutes"].to_numpy(dtype=float),
        "temperature_c": celsius(sessions["temperature"].to_numpy(), sessions["temperature_unit"].to_numpy()),
    }
    return figures | bath_figures(agents, sessions, of, sham, litres)


def bath_figures(
    agents: pd.DataFrame, sessions: pd.DataFrame, of: np.ndarray, sham: np.ndarray, litres: np.ndarray
) -> dict[str, np.ndarray]:
    """Return strengths and product used; `of`: each session's agent row, `sham`, `litres`: shape (n_sessions,).

    Product is what the session used: one bath that served several sessions (same `mix`, same amount and volume in
    each row) is shared out equally among them. Mass of an active known per volume of product is turned back into mL
    of product.
    """
    n = len(sessions)
    strength, strength_unit = usable_strength(agents)
    drops = agents["drops_per_ml"].to_numpy(dtype=float)
    figures = {name: np.full(n, np.nan) for name in ("concentration_mg_per_l", "strength")}
    figures["strength_unit"] = np.full(n, None, dtype=object)
    figures |= {name: np.full(n, np.nan) for name in PRODUCT.values()}
    amount, unit, shares = (
        sessions["amount"].to_numpy(dtype=float),
        sessions["amount_unit"].to_numpy(),
        shared_by(sessions),
    )
    treated = pd.DataFrame({"agent": of, "unit": unit})[~sham]
    for (a, name), rows in treated.groupby(["agent", "unit"], sort=False).indices.items():
        i = treated.index.to_numpy()[rows]
        rule = amount_unit(name, strength_unit[a])
        per_litre = amount[i] * rule.size / (drops[a] if rule.drops else 1.0) / (1.0 if rule.per_litre else litres[i])
        factor, axis = factor_per_product(rule.kind, strength[a], strength_unit[a])
        figures["strength"][i], figures["strength_unit"][i] = per_litre * factor, axis
        if axis.startswith("mg/L"):
            figures["concentration_mg_per_l"][i] = per_litre * factor
        used = per_litre * litres[i] / shares[i]
        if rule.kind == "mass" and strength_unit[a] in MG_PER_ML:
            figures["product_ml"][i] = used / (MG_PER_ML[strength_unit[a]] * strength[a])
        else:
            figures[PRODUCT[rule.kind]][i] = used / (1000.0 if rule.kind == "mass" else 1.0)
    figures["strength"][sham] = figures["concentration_mg_per_l"][sham] = 0.0
    return figures


def shared_by(sessions: pd.DataFrame) -> np.ndarray:
    """Return by how many sessions each session's mixed bath was shared, 1 where it was its own, shape (n_sessions,)."""
    mixed, out = sessions["mix"].notna().to_numpy(), np.ones(len(sessions), dtype=np.int64)
    columns = ["mix", "agent", "amount", "amount_unit", "bath_volume", "bath_volume_unit"]
    bath = sessions.loc[mixed, columns].groupby(columns, dropna=False)
    out[mixed] = bath["agent"].transform("size").to_numpy()
    return out


def limit_strengths(agents: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return (strength, axis) of each agent's max_per_l, NaN and None where there is none, shape (n_agents,)."""
    strength, strength_unit = usable_strength(agents)
    limits, axes = np.full(len(agents), np.nan), np.full(len(agents), None, dtype=object)
    for a, (most, name) in enumerate(zip(agents["max_per_l"], agents["max_per_l_unit"], strict=True)):
        if pd.isna(most) or name is None:
            continue
        rule = amount_unit(name, strength_unit[a], limit=True)
        factor, axes[a] = factor_per_product(rule.kind, strength[a], strength_unit[a])
        limits[a] = most * rule.size / (agents["drops_per_ml"].iloc[a] if rule.drops else 1.0) * factor
    return limits, axes


def agent_figures(agents: pd.DataFrame, sessions: pd.DataFrame) -> dict[str, np.ndarray]:
    """Return the axis most of an agent's sessions are on, and the agent's limit on it, each of shape (n_agents,)."""
    limits, limit_axes = limit_strengths(agents)
    counts = sessions.groupby(["agent", "strength_unit"], sort=False).size()
    axes = limit_axes.copy()
    for a, agent in enumerate(agents["agent"]):
        if agent in counts.index.get_level_values(0):
            axes[a] = counts[agent].idxmax()
    return {"max_strength": np.where(axes == limit_axes, limits, np.nan), "strength_unit_of_bath": axes}
