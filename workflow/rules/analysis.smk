# Campaign-level products: one job each.


rule compare:
    input:
        inputs_of("compare", ""),
    output:
        report(
            JOBS["compare"].outputs(PLAN, "")[:2],
            caption="../report/compared.rst",
            category="Tables",
        ),
        JOBS["compare"].outputs(PLAN, "")[2:],
    log:
        f"{RESULTS}/logs/compare/compare.log",
    benchmark:
        f"{RESULTS}/benchmarks/compare/compare.tsv"
    threads: 1
    resources:
        mem_mb=2000,
    params:
        digest=lambda wildcards: JOBS["compare"].digest(PLAN),
    shell:
        "tapeline compare > {log:q} 2>&1"


rule scale:
    input:
        inputs_of("scale", ""),
    output:
        JOBS["scale"].outputs(PLAN, ""),
    log:
        f"{RESULTS}/logs/scale/scale.log",
    benchmark:
        f"{RESULTS}/benchmarks/scale/scale.tsv"
    threads: 1
    resources:
        mem_mb=2000,
    params:
        digest=lambda wildcards: JOBS["scale"].digest(PLAN),
    shell:
        "tapeline scale > {log:q} 2>&1"


rule repeat:
    input:
        inputs_of("repeat", ""),
    output:
        JOBS["repeat"].outputs(PLAN, ""),
    log:
        f"{RESULTS}/logs/repeat/repeat.log",
    benchmark:
        f"{RESULTS}/benchmarks/repeat/repeat.tsv"
    threads: 1
    resources:
        mem_mb=2000,
    params:
        digest=lambda wildcards: JOBS["repeat"].digest(PLAN),
    shell:
        "tapeline repeat > {log:q} 2>&1"
