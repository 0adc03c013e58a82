"""Draws the panels of a Grafana dashboard from a Prometheus that recorded something, in the dashboard's own layout.

Each panel's queries are asked over the range by Prometheus's HTTP API, and drawn as Grafana would: title, unit,
thresholds, legend as large as there is room for it. Fails if a query finds nothing, or if the dashboard has something that
this does not know how to draw.
"""

import argparse
import json
import math
import re
import sys
import urllib.parse
import urllib.request

import matplotlib

matplotlib.use("Agg")
from matplotlib import pyplot  # noqa: E402 (after use)

COLUMN, ROW = 66, 38  # pixels of one unit of the grid, as Grafana has them on a screen of 1600
DPI = 100
PAPER, BOX, INK, SOFT = "#f4f5f5", "#ffffff", "#1f2328", "#57606a"
# Okabe and Ito's colours, which the colour-blind can tell apart (Color Universal Design, 2008).
COLOURS = ["#0072b2", "#d55e00", "#009e73", "#cc79a7", "#e69f00", "#56b4e9", "#000000"]
NAMED = {"green": "#1a7f37", "orange": "#bf5b00", "red": "#cf222e", "text": INK, "transparent": INK}


def scaled(value, steps, base=1000.0):
    for unit in steps:
        if abs(value) < base or unit == steps[-1]:
            return f"{value:.3g}" + (f" {unit}" if unit else "")
        value /= base


def seconds(value):
    if 0 < abs(value) < 1:
        return f"{value * 1000:.3g} ms"
    for size, name in (86400, "days"), (3600, "hours"), (60, "min"):
        if abs(value) >= size:
            return f"{value / size:.3g} {name}"
    return f"{value:.3g} s"


UNITS = {
    "none": lambda v: f"{v:g}",
    "locale": lambda v: f"{v:,.0f}",
    "short": lambda v: scaled(v, ["", "K", "Mil"]),
    "s": seconds,
    "percentunit": lambda v: f"{100 * v:.3g}%",
    "reqps": lambda v: scaled(v, ["req/s", "K req/s"]),
    "ops": lambda v: scaled(v, ["ops/s", "K ops/s"]),
    "cpm": lambda v: scaled(v, ["c/m", "Kc/m"]),
    "bytes": lambda v: scaled(v, ["B", "KiB", "MiB", "GiB", "TiB"], 1024.0),
}


class Unknown(Exception):
    """The dashboard has something that cannot be drawn here."""


class Prometheus:
    def __init__(self, address, start, end, step, variables):
        self.address, self.start, self.end, self.step, self.variables = address, start, end, step, variables

    def ask(self, target):
        """The series of a query: the text of the legend, times, values."""
        query = target["expr"]
        for name, value in self.variables.items():
            query = re.sub(rf"\${name}\b", lambda _: value, query)
        if target.get("instant"):
            path, times = "query", {"time": self.end}
        else:
            path, times = "query_range", {"start": self.start, "end": self.end, "step": self.step}
        parameters = urllib.parse.urlencode({"query": query} | times)
        with urllib.request.urlopen(f"http://{self.address}/api/v1/{path}?{parameters}", timeout=60) as answer:
            found = json.load(answer)["data"]["result"]
        series = []
        for each in found:
            points = [(float(at), float(value)) for at, value in each.get("values") or [each["value"]]]
            points = [p for p in points if not math.isnan(p[1])]
            if points:
                series.append((legend(target["legendFormat"], each["metric"]), *zip(*points)))
        return sorted(series)


def legend(form, labels):
    return re.sub(r"{{\s*(\w+)\s*}}", lambda m: labels.get(m[1], ""), form)


class Page:
    """The dashboard as one picture."""

    def __init__(self, panels):
        self.width = 24 * COLUMN
        self.height = max(p["gridPos"]["y"] + p["gridPos"]["h"] for p in panels) * ROW
        self.figure = pyplot.figure(figsize=(self.width / DPI, self.height / DPI), dpi=DPI, facecolor=PAPER)

    def area(self, x, y, width, height):
        """Axes at pixels from the upper left."""
        return self.figure.add_axes((x / self.width, 1 - (y + height) / self.height, width / self.width, height / self.height))

    def text(self, x, y, text, size=9, **how):
        how = {"va": "center", "color": INK} | how
        self.figure.text(x / self.width, 1 - y / self.height, text, fontsize=size, **how)

    def draw(self, panel, series):
        grid = panel["gridPos"]
        x, y, width, height = grid["x"] * COLUMN, grid["y"] * ROW, grid["w"] * COLUMN, grid["h"] * ROW
        if panel["type"] == "row":
            self.text(x + 8, y + height / 2, panel["title"], 12, weight="bold")
            return
        box = self.area(x + 4, y + 4, width - 8, height - 8)
        box.set(facecolor=BOX, xticks=[], yticks=[])
        for spine in box.spines.values():
            spine.set_color("#d0d7de")
        self.text(x + 14, y + 20, clipped(panel["title"], width - 28, 10), 10, weight="bold")
        kinds = {"stat": self.stat, "timeseries": self.timeseries, "state-timeline": self.states}
        if panel["type"] not in kinds:
            raise Unknown(f"{panel['title']}: the kind {panel['type']}")
        kinds[panel["type"]](panel, series, (x + 14, y + 36, width - 28, height - 50))

    def stat(self, panel, series, place):
        x, y, width, height = place
        defaults = panel["fieldConfig"]["defaults"]
        if not series:
            self.text(x + width / 2, y + height / 2, defaults.get("noValue", "No data"), 14, ha="center")
            return
        beside = panel["options"].get("orientation") == "horizontal"
        for i, (name, _, values) in enumerate(series):
            room = (width, height / len(series)) if beside else (width / len(series), height)
            left, top = (x, y + i * room[1]) if beside else (x + i * room[0], y)
            size = max(7, min(22, room[1] / 3, room[0] / 6))
            shown = mapped(defaults, values[-1]) or unit(panel)(values[-1])
            colour = threshold(defaults, values[-1]) if panel["options"].get("colorMode") != "none" else INK
            if beside:
                self.text(left, top + room[1] / 2, clipped(name, room[0] * 0.7, 9), 9)
                self.text(left + room[0], top + room[1] / 2, shown, size, ha="right", color=colour, weight="bold")
            else:
                self.text(left + room[0] / 2, top + room[1] * 0.25, clipped(name, room[0], 9), 9, ha="center")
                self.text(left + room[0] / 2, top + room[1] * 0.65, shown, size, ha="center", color=colour, weight="bold")

    def states(self, panel, series, place):
        x, y, width, height = place
        axes = self.area(x + 130, y + 4, width - 134, height - 34)
        defaults = panel["fieldConfig"]["defaults"]
        colours = {text["text"]: text["color"] for mapping in defaults["mappings"] for text in mapping["options"].values()}
        for i, (name, times, values) in enumerate(reversed(series)):
            said = [mapped(defaults, value) for value in values]
            if None in said:
                raise Unknown(f"{panel['title']}: a state that has no name")
            begin = 0
            for at in range(1, len(said) + 1):
                if at == len(said) or said[at] != said[begin]:
                    end = times[min(at, len(times) - 1)]
                    axes.broken_barh([(times[begin], end - times[begin])], (i - 0.35, 0.7), color=NAMED[colours[said[begin]]], alpha=0.3)
                    if end - times[begin] > (self.range[1] - self.range[0]) / 8:
                        axes.text((times[begin] + end) / 2, i, said[begin], ha="center", va="center", fontsize=8, color=INK)
                    begin = at
        axes.set(ylim=(-0.6, len(series) - 0.4), yticks=range(len(series)))
        axes.set_yticklabels([clipped(name, 130, 8) for name, _, _ in reversed(series)])
        self.quiet(axes)

    def timeseries(self, panel, series, place):
        x, y, width, height = place
        line = 17
        calcs = panel["options"]["legend"]["calcs"]
        # Grafana lets a legend below have about a third of the panel, and scrolls what is beyond.
        shown = max(1, min(len(series), int(height * 0.36) // line - 1))
        room = (shown + 1 + (shown < len(series))) * line
        axes = self.area(x + 52, y + 4, width - 56, height - room - 34)
        write = unit(panel)
        for i, (name, times, values) in enumerate(series):
            axes.plot(times, values, **style(panel, name, i), marker="." if len(times) == 1 else None)
        self.dress(panel, axes, write)
        top = y + height - room + 4
        columns = [x + width - 74 * (len(calcs) - i) + 66 for i in range(len(calcs))]
        for at, calc in zip(columns, calcs):
            self.text(at, top + line / 2, {"lastNotNull": "Last *", "max": "Max", "min": "Min"}[calc], 8, ha="right", color=SOFT)
        for i, (name, _, values) in enumerate(series[:shown]):
            middle = top + (i + 1.5) * line
            sample = self.area(x, middle - 5, 26, 10)
            sample.axis("off")
            sample.plot([0, 1], [0, 0], **style(panel, name, i))
            self.text(x + 34, middle, clipped(name, width - 40 - 74 * len(calcs), 8), 8)
            for at, calc in zip(columns, calcs):
                value = {"lastNotNull": values[-1], "max": max(values), "min": min(values)}[calc]
                self.text(at, middle, mapped(panel["fieldConfig"]["defaults"], value) or write(value), 8, ha="right")
        if shown < len(series):
            self.text(x + 34, top + (shown + 1.5) * line, f"{len(series) - shown} more by scrolling", 8, color=SOFT)

    def dress(self, panel, axes, write):
        defaults = panel["fieldConfig"]["defaults"]
        bottom, top = axes.get_ylim()
        top = defaults.get("max", max(top, defaults.get("custom", {}).get("axisSoftMax", top)))
        axes.set_ylim(defaults.get("min", bottom), top if top > defaults.get("min", bottom) else 1)
        axes.yaxis.set_major_locator(pyplot.MaxNLocator(4, integer=defaults.get("decimals") == 0))
        axes.yaxis.set_major_formatter(lambda v, _: write(v))
        self.quiet(axes)
        axes.grid(color="#e3e6ea", linewidth=0.6)
        if defaults.get("custom", {}).get("thresholdsStyle", {}).get("mode", "off") != "off":
            for step in defaults["thresholds"]["steps"]:
                if step["value"] is not None:
                    axes.axhline(step["value"], color=NAMED[step["color"]], linewidth=1, linestyle=(0, (6, 3)))

    def quiet(self, axes):
        """The axis of time, and nothing that draws the eye from what is drawn."""
        axes.set_xlim(self.range)
        axes.set_xticks([self.range[0] + (self.range[1] - self.range[0]) * part / 4 for part in range(5)])
        axes.xaxis.set_major_formatter(lambda v, _: f"{v - self.range[0]:.0f} s")
        axes.tick_params(labelsize=8, colors=SOFT, length=0)
        for spine in axes.spines.values():
            spine.set_visible(False)


def unit(panel):
    name = panel["fieldConfig"]["defaults"].get("unit", "none")
    if name not in UNITS:
        raise Unknown(f"{panel['title']}: the unit {name}")
    return UNITS[name]


def mapped(defaults, value):
    for mapping in defaults.get("mappings", []):
        if mapping["type"] != "value":
            raise Unknown(f"a mapping by {mapping['type']}")
        if f"{value:g}" in mapping["options"]:
            return mapping["options"][f"{value:g}"]["text"]
    return None


def threshold(defaults, value):
    colour = "text"
    for step in defaults.get("thresholds", {}).get("steps", []):
        if step["value"] is None or value >= step["value"]:
            colour = step["color"]
    return NAMED[colour]


def style(panel, name, i):
    how = {"color": COLOURS[i % len(COLOURS)], "linewidth": 1.4, "linestyle": "-"}
    for override in panel["fieldConfig"]["overrides"]:
        if override["matcher"]["id"] != "byRegexp":
            raise Unknown(f"{panel['title']}: an override {override['matcher']['id']}")
        if re.search(override["matcher"]["options"].strip("/"), name):
            for each in override["properties"]:
                if each["id"] != "custom.lineStyle":
                    raise Unknown(f"{panel['title']}: an override of {each['id']}")
                how["linestyle"] = (0, [n / how["linewidth"] for n in each["value"]["dash"]])
    return how


def clipped(text, width, size):
    """As much of a text as there is room for."""
    most = int(width / (size * 0.78))
    return text if len(text) <= most else text[: max(1, most - 1)] + "…"


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("dashboard")
    parser.add_argument("picture", help="where the picture is written, as PNG or SVG by its name")
    parser.add_argument("--prometheus", required=True, help="host:port")
    parser.add_argument("--start", type=float, required=True, help="Unix time")
    parser.add_argument("--end", type=float, required=True, help="Unix time")
    parser.add_argument("--step", type=float, default=1)
    parser.add_argument("--variable", action="append", default=[], metavar="NAME=VALUE", help="a variable of the dashboard")
    args = parser.parse_args()
    with open(args.dashboard, encoding="utf-8") as file:
        panels = json.load(file)["panels"]
    prometheus = Prometheus(args.prometheus, args.start, args.end, args.step, dict(v.split("=", 1) for v in args.variable))
    page, faults = Page(panels), []
    page.range = (args.start, args.end)
    for panel in panels:
        series = []
        for target in panel.get("targets", []):
            found = prometheus.ask(target)
            if not found:
                faults.append(f"{panel['title']}: nothing is found by {target['expr']}")
            series += found
        names = [name for name, _, _ in series]
        if len(set(names)) < len(names) or "" in names:
            faults.append(f"{panel['title']}: series cannot be told apart by their names: {names}")
        page.draw(panel, series)
    page.figure.savefig(args.picture, facecolor=PAPER)
    if faults:
        sys.exit("\n".join(faults))
    print(f"{sum(p['type'] != 'row' for p in panels)} panels drawn to {args.picture}")


if __name__ == "__main__":
    try:
        main()
    except Unknown as unknown:
        sys.exit(f"cannot draw {unknown}")
