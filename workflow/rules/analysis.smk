# Campaign-level products: one job each.


rule compare:
    input:
        levels=expand(
            f"{TABLES}/{{table}}/session={{session}}/part-0.parquet",
            table=["bands", "overall"],
            session=PLAN.measured_sessions,
        ),
        calibration=rules.catalogue.output.calibration,
    output:
        comparisons=f"{TABLES}/comparisons.parquet",
        ranking=f"{TABLES}/ranking.parquet",
        budgets=f"{TABLES}/budgets.parquet",
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
        "tapeline compare > {log} 2>&1"
