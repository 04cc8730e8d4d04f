# Find the stars of a filter set's stack.


rule find_stars:
    input:
        stack=out.stack("{filter_set}"),
    output:
        stars=out.stack_stars("{filter_set}"),
        record=out.qa("find_stars", "{filter_set}"),
    params:
        output_folder=lambda wildcards: str(out.root),
        unit=lambda wildcards: wildcards.filter_set,
        settings=graph.settings_for("find_stars"),
        code=graph.code_for("find_stars"),
    log:
        out.log("find_stars", "{filter_set}"),
    threads: 1
    resources:
        mem_mb=MEMORY_MB,
    message:
        "find_stars {wildcards.filter_set}"
    conda:
        ENVIRONMENT
    script:
        "../scripts/find_stars.py"
