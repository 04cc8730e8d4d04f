# Combine calibration frames into one master.


rule masters:
    input:
        plan=out.master_plan("{master}"),
        pedestal=lambda wildcards: graph.pedestal_of(wildcards.master),
    output:
        master=out.master("{master}"),
        record=out.qa("masters", "{master}"),
    params:
        output_folder=lambda wildcards: str(out.root),
        unit=lambda wildcards: wildcards.master,
        settings=graph.settings_for("masters"),
        code=graph.code_for("masters"),
    log:
        out.log("masters", "{master}"),
    threads: 1
    resources:
        mem_mb=MEMORY_MB,
    message:
        "masters {wildcards.master}"
    conda:
        ENVIRONMENT
    script:
        "../scripts/masters.py"
