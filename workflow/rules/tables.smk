# Two jobs a session: verdicts on its channels beside each other; backgrounds subtracted, levels put together for readers.


rule verdicts:
    input:
        lambda wildcards: expand(f"{RESULTS}/quality/{{run}}.parquet", run=PLAN.recordings_of(wildcards.session)),
    output:
        f"{RESULTS}/verdicts/{{session}}.parquet",
    log:
        f"{RESULTS}/logs/verdicts/{{session}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/verdicts/{{session}}.tsv"
    threads: 1
    resources:
        mem_mb=300,
    params:
        digest=lambda wildcards: PLAN.digest("verdicts", wildcards.session),
    shell:
        "tapeline verdicts {wildcards.session:q} > {log:q} 2>&1"


rule tables:
    input:
        spectra=lambda wildcards: expand(
            f"{RESULTS}/spectra/{{run}}/{{part}}.parquet",
            run=PLAN.recordings_for_tables(wildcards.session),
            part=["spectra", "history", *PLAN.on_request],
        ),
        verdicts=lambda wildcards: expand(
            f"{RESULTS}/verdicts/{{session}}.parquet", session=PLAN.sessions_for_tables(wildcards.session)
        ),
        calibration=f"{RESULTS}/calibration/{{session}}.parquet",
    output:
        narrowband=f"{TABLES}/narrowband/session={{session}}/part-0.parquet",
        bands=f"{TABLES}/bands/session={{session}}/part-0.parquet",
        overall=f"{TABLES}/overall/session={{session}}/part-0.parquet",
        history=f"{TABLES}/history/session={{session}}/part-0.parquet",
        asked=[f"{TABLES}/{name}/session={{session}}/part-0.parquet" for name in PLAN.on_request],
    log:
        f"{RESULTS}/logs/tables/{{session}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/tables/{{session}}.tsv"
    threads: 1
    resources:
        mem_mb=2000,
    params:
        digest=lambda wildcards: PLAN.digest("tables", wildcards.session),
    shell:
        "tapeline tables {wildcards.session:q} > {log:q} 2>&1"


rule catalogue:
    input:
        checks=expand(f"{RESULTS}/calibration/judged/{{session}}.parquet", session=PLAN.sessions),
        calibration=expand(f"{RESULTS}/calibration/{{session}}.parquet", session=PLAN.sessions),
        verdicts=expand(f"{RESULTS}/verdicts/{{session}}.parquet", session=PLAN.measured_sessions),
    output:
        runs=f"{TABLES}/runs.parquet",
        positions=f"{TABLES}/positions.parquet",
        checks=f"{TABLES}/checks.parquet",
        calibration=f"{TABLES}/calibration.parquet",
        quality=f"{TABLES}/quality.parquet",
    log:
        f"{RESULTS}/logs/catalogue/catalogue.log",
    benchmark:
        f"{RESULTS}/benchmarks/catalogue/catalogue.tsv"
    threads: 1
    resources:
        mem_mb=1000,
    params:
        digest=lambda wildcards: PLAN.digest("catalogue"),
    shell:
        "tapeline catalogue > {log:q} 2>&1"
