"""Ten questions that the daybook answers, asked in SQL: questions.py RUN [PAGE]

Prints the page, or with PAGE says whether that file is what the questions give now.
"""

import datetime
import sys
from pathlib import Path

import duckdb

HEAD = """# Ten questions to a run

Every table of a run is a Parquet file. These are asked with DuckDB, from the folder of the run, and the answers are those of the
sample fleet (46 invented homes, 29 days): `cargo run --release -- run pipelines/service-list.toml`. Polars and pandas read the same files; the meaning
and unit of each column stands in its field metadata and on the page `site/columns.html`.

The daybook holds what was seen, before anything was concluded from it: `daybook_days` (a row a home and local day), `daybook_spells` (idle
times and heats) and `daybook_draws` (draw-offs). Lists go by probe (top first), by element, or by half-hour. This page is made and checked by
`.ci/tables/questions.py`.
"""

QUESTIONS = [
    (
        "How much of the record is there?",
        "Rows that came against those that were due, by fleet, and the longest silence of any home.",
        """
select count(distinct home) as homes, count(*) as home_days, sum(instants) as rows_came,
       round(100.0 * sum(instants) / sum(instants_expected), 1) as came_percent,
       round(max(longest_gap_min) / 60, 1) as longest_silence_h
from 'daybook_days.parquet'
""",
    ),
    (
        "On which days was the hour changed?",
        "Local days have 23, 24 or 25 hours; the daybook cuts at local midnight.",
        """
select day, hours, count(*) as homes
from 'daybook_days.parquet' where hours <> 24 group by all order by day
""",
    ),
    (
        "Which homes heat the most, and what comes out as hot water?",
        "Heater energy of the meter against heat drawn; what is between them is lost, or stored.",
        """
select d.home, round(avg(d.heater_kwh), 1) as heater_kwh_a_day, round(sum(w.kwh) / count(*), 1) as drawn_kwh_a_day
from 'daybook_days.parquet' d
left join (select home, day, sum(energy_kwh) as kwh from 'daybook_draws.parquet' group by all) w using (home, day)
where d.heater_kwh is not null group by d.home order by 2 desc, 1 limit 5
""",
    ),
    (
        "At which hour do homes draw most?",
        "Instants are UTC; the hour is that of the wall clock, by the zone of each home.",
        """
select hour(w.start at time zone h.zone) as local_hour, count(*) as draw_offs, round(sum(w.litres)) as litres
from 'daybook_draws.parquet' w join 'homes.parquet' h using (home)
group by all order by litres desc, local_hour limit 6
""",
    ),
    (
        "How large is a draw-off?",
        "Water at the density of the inlet, by the middle and the tails of all draw-offs.",
        """
select count(*) as draw_offs, round(quantile_cont(litres, 0.1), 1) as p10_l, round(median(litres), 1) as middle_l,
       round(quantile_cont(litres, 0.9), 1) as p90_l, round(max(litres), 1) as largest_l
from 'daybook_draws.parquet'
""",
    ),
    (
        "Where does the thermostat end heating?",
        "Only heats whose call ended with them: the temperature at the end is the set point as it works.",
        """
select home, count(*) as heats, round(median(stop_degc), 1) as stops_at_degc,
       round(quantile_cont(stop_degc, 0.9) - quantile_cont(stop_degc, 0.1), 1) as spread_k
from 'daybook_spells.parquet'
where kind = 'heat' and call_ended and stop_degc is not null
group by home having count(*) >= 10 order by stops_at_degc desc, home limit 5
""",
    ),
    (
        "Which elements run below their usual power?",
        "Median power of the full intervals of each heat. A home far below its rating may have lost an element; one on spare solar power or a pump runs low by design.",
        """
select home, count(*) as heats, round(median(power_w)) as power_w
from 'daybook_spells.parquet' where kind = 'heat' and power_w is not null
group by home having count(*) >= 10 order by power_w, home limit 5
""",
    ),
    (
        "What leaves on quiet nights, beyond the loss that is declared?",
        "Median over nights of what leaves while nobody draws: by day as well points to a leak or thin insulation, by night only to gravity circulation.",
        """
select home, round(median(quiet_night_w)) as night_w, round(median(quiet_day_w)) as day_w, count(quiet_night_w) as nights
from 'daybook_days.parquet' group by home having count(quiet_night_w) >= 10
order by night_w desc, home limit 5
""",
    ),
    (
        "Where did the hot water run out?",
        "Times that the top fell below 40 °C while water was drawn.",
        """
select home, sum(run_outs) as run_outs, count(*) filter (where run_outs > 0) as days
from 'daybook_days.parquet' group by home having sum(run_outs) > 0
order by run_outs desc, home limit 5
""",
    ),
    (
        "When does the fleet heat, half-hour by half-hour?",
        "Lists by half-hour unfolded; kW of the mean home, the six highest half-hours of the local day.",
        """
select printf('%02d:%02d', (i - 1) // 2, (i - 1) % 2 * 30) as from_local, round(2 * avg(kwh), 2) as mean_kw
from (select unnest(heater_kwh_by_half_hour) as kwh, generate_subscripts(heater_kwh_by_half_hour, 1) as i
      from 'daybook_days.parquet' where hours = 24)
where not isnan(kwh) group by i order by mean_kw desc, i limit 6
""",
    ),
]


def shown(value):
    if value is None:
        return "–"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, (datetime.date, datetime.datetime)):
        return value.isoformat()
    return str(value)


def page(run):
    parts = [HEAD]
    for number, (question, meaning, sql) in enumerate(QUESTIONS, 1):
        base = Path(run).resolve()
        answer = duckdb.sql(sql.replace("'daybook_", f"'{base}/daybook_").replace("'homes.parquet'", f"'{base}/homes.parquet'"))
        columns, rows = answer.columns, answer.fetchall()
        table = [columns, ["---"] * len(columns), *([shown(v) for v in row] for row in rows)]
        lines = "\n".join("| " + " | ".join(row) + " |" for row in table)
        parts.append(f"## {number}. {question}\n\n{meaning}\n\n```sql\n{sql.strip()}\n```\n\n{lines}\n")
        if not rows:
            sys.exit(f"question {number} has no answer")
    return "\n".join(parts)


def main(run, kept=None):
    made = page(run)
    if kept is None:
        print(made, end="")
        return 0
    if Path(kept).read_text(encoding="utf-8") != made:
        print(f"{kept} is not what its questions give now: make it again with questions.py RUN > {kept}")
        return 1
    print(f"{kept}: {len(QUESTIONS)} questions answered as it says")
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:3]))
