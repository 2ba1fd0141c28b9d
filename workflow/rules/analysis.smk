# Campaign-level products: one job each.

COMPARED = CAMPAIGN_TABLES["compare"]


rule compare:
    input:
        levels=expand(
            f"{TABLES}/{{table}}/session={{session}}/part-0.parquet",
            table=["bands", "overall", "narrowband"],
            session=PLAN.measured_sessions,
        ),
        calibration=rules.catalogue.output.calibration,
    output:
        report(
            expand(f"{TABLES}/{{table}}.parquet", table=COMPARED[:2]),
            caption="../report/compared.rst",
            category="Tables",
        ),
        expand(f"{TABLES}/{{table}}.parquet", table=COMPARED[2:]),
    log:
        f"{RESULTS}/logs/compare/compare.log",
    benchmark:
        f"{RESULTS}/benchmarks/compare/compare.tsv"
    threads: 1
    resources:
        mem_mb=2000,
    params:
        digest=lambda wildcards: PLAN.digest("compare"),
    shell:
        "tapeline compare > {log:q} 2>&1"


rule scale:
    input:
        levels=expand(
            f"{TABLES}/{{table}}/session={{session}}/part-0.parquet",
            table=["narrowband", "bands", "overall"],
            session=PLAN.measured_sessions,
        ),
    output:
        scaling=f"{TABLES}/scaling.parquet",
        collapse=f"{TABLES}/collapse.parquet",
    log:
        f"{RESULTS}/logs/scale/scale.log",
    benchmark:
        f"{RESULTS}/benchmarks/scale/scale.tsv"
    threads: 1
    resources:
        mem_mb=2000,
    params:
        digest=lambda wildcards: PLAN.digest("scale"),
    shell:
        "tapeline scale > {log:q} 2>&1"


rule repeat:
    input:
        levels=expand(
            f"{TABLES}/{{table}}/session={{session}}/part-0.parquet",
            table=["bands", "overall", "narrowband"],
            session=PLAN.measured_sessions,
        ),
    output:
        repeatability=f"{TABLES}/repeatability.parquet",
        control_values=f"{TABLES}/control_values.parquet",
        repeat_tests=f"{TABLES}/repeat_tests.parquet",
    log:
        f"{RESULTS}/logs/repeat/repeat.log",
    benchmark:
        f"{RESULTS}/benchmarks/repeat/repeat.tsv"
    threads: 1
    resources:
        mem_mb=2000,
    params:
        digest=lambda wildcards: PLAN.digest("repeat"),
    shell:
        "tapeline repeat > {log:q} 2>&1"
